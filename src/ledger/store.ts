import { timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { LedgerRow } from './entry.ts'

/** The house: acts of governance stand under this site. */
const HOUSE = '*'

/** Appends one entry of the house and marks it as not yet sequenced, in the transaction of the act. */
export async function insertEntry(act: Pick<Act, 'sql' | 'at'>, entryId: string, row: LedgerRow): Promise<void> {
  await act.sql.query(
    `WITH entry AS (
       INSERT INTO intake.ledger_entries (site_id, recorded_at, entry_id, content, leaf_hash) VALUES ($1, $2, $3, $4, $5)
     )
     INSERT INTO intake.ledger_pending (site_id, entry_id, recorded_at) VALUES ($1, $3, $2)`,
    [HOUSE, timestamptzText(act.at), entryId, row.content, row.leafHash],
    'ledger_insert_entry',
  )
}
