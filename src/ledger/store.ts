import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import { HOUSE, type LedgerRow } from './entry.ts'

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

/** Entries that get their places in one transaction. */
export const PAGE_MAX = 1_000

// The planner knows no number of rows for `taken`, and would read whole months to join them: so each text by its key.
// Canonical text begins with the action; the start of a long one is read without the rest.
const PLACE_PAGE = `
  WITH page AS (
    SELECT site_id, entry_id FROM intake.ledger_pending ORDER BY recorded_at, entry_id LIMIT ${PAGE_MAX}
  ), taken AS (
    DELETE FROM intake.ledger_pending pending USING page
    WHERE pending.site_id = page.site_id AND pending.entry_id = page.entry_id
    RETURNING pending.site_id, pending.recorded_at, pending.entry_id
  )
  INSERT INTO governance.sequenced_entry (index, site, recorded_at, entry_id, known_at, action)
  SELECT $1 - 1 + row_number() OVER (ORDER BY recorded_at, entry_id), site_id, recorded_at, entry_id,
         greatest($2, max(recorded_at) OVER ()),
         (SELECT substring(left(entry.content, 100) FROM '^\\{"action":"([^"]+)"') FROM intake.ledger_entries entry
          WHERE entry.site_id = taken.site_id AND entry.recorded_at = taken.recorded_at AND entry.entry_id = taken.entry_id)
  FROM taken
  RETURNING index`

/** Takes the row of the sequencer until the transaction ends; false where another process has it. */
export async function lockSequencer(sql: Sql): Promise<boolean> {
  const held = await sql.query(
    `SELECT FROM governance.sequencer WHERE sequencer = 'ledger' FOR UPDATE SKIP LOCKED`,
    [],
    'ledger_lock_sequencer',
  )
  return held.length === 1
}

/**
 * Moves the oldest pending entries, at most a page, to the places from `next` on. None is known before it was recorded.
 * Gives their number.
 */
export async function placePage(sql: Sql, next: number, knownAt: number): Promise<number> {
  return (await sql.query(PLACE_PAGE, [next, timestamptzText(knownAt)], 'ledger_place_page')).length
}
