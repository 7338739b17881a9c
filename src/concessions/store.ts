import { timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { ConcessionRow } from './words.ts'

export async function insertConcession(act: Act, row: ConcessionRow): Promise<void> {
  await act.sql.query(
    `INSERT INTO intake.concessions (site_id, concession, run_id, product, serial, reference, reason, digest, departures,
       requested_at, requested_by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
    [
      row.site,
      row.concession,
      row.runId,
      row.product,
      row.serial,
      row.reference,
      row.reason,
      row.digest,
      JSON.stringify(row.departures),
      timestamptzText(row.requestedAt),
      row.requestedBy,
    ],
    'concessions_insert',
  )
}

export async function insertApproval(
  act: Act,
  { site, concession }: Pick<ConcessionRow, 'site' | 'concession'>,
  signed: { readonly by: string; readonly meaning: string },
): Promise<void> {
  await act.sql.query(
    `INSERT INTO intake.concession_approvals (site_id, concession, meaning, approved_at, approved_by)
     VALUES ($1, $2, $3, $4, $5)`,
    [site, concession, signed.meaning, timestamptzText(act.at), signed.by],
    'concessions_approve',
  )
}
