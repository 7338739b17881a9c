import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { unitKey } from '../units/reads.ts'
import { grantUses } from './permit-uses.ts'
import type { PermitUse } from './port.ts'

// Counts and uses stand under the site '*': a permit is of the house, and a unit counts once, wherever it is tested.

const LOCK_COUNTS = `
  SELECT permit, quantity - used AS left FROM intake.permit_counts
  WHERE site_id = '*' AND permit = ANY ($1) ORDER BY permit COLLATE "C" FOR UPDATE`

const READ_USES = `
  SELECT u.permit, u.product, u.serial FROM intake.permit_uses u
  JOIN unnest($2::text[], $3::text[]) AS asked (product, serial) USING (product, serial)
  WHERE u.site_id = '*' AND u.permit = ANY ($1)`

const INSERT_USES = `
  WITH given AS (
    SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::uuid[]) AS given (permit, product, serial, run_id)
  ), taken AS (
    INSERT INTO intake.permit_uses (site_id, permit, product, serial, run_id, taken_at)
    SELECT '*', permit, product, serial, run_id, $5 FROM given
  )
  UPDATE intake.permit_counts c SET used = c.used + more.uses
  FROM (SELECT permit, count(*)::int AS uses FROM given GROUP BY permit) more
  WHERE c.site_id = '*' AND c.permit = more.permit`

/** See the port. The counts are locked first and read in that statement; the uses in the next, after any twin's. */
export async function takePermits(sql: Sql, uses: readonly PermitUse[], at: number): Promise<readonly boolean[]> {
  const permits = [...new Set(uses.flatMap((use) => use.permits))]
  const counts = await sql.query<{ permit: string; left: number }>(LOCK_COUNTS, [permits], 'intake_lock_permits')
  const known = await sql.query<{ permit: string; product: string; serial: string }>(
    READ_USES,
    [permits, uses.map(({ product }) => product), uses.map(({ serial }) => serial)],
    'intake_read_permit_uses',
  )
  const { granted, taken } = grantUses(uses, {
    left: new Map(counts.map(({ permit, left }) => [permit, left])),
    used: new Set(known.map((use) => `${use.permit}\n${unitKey(use)}`)),
  })
  if (taken.length > 0) {
    await sql.query(
      INSERT_USES,
      [
        taken.map(({ permit }) => permit),
        taken.map(({ product }) => product),
        taken.map(({ serial }) => serial),
        taken.map(({ runId }) => runId),
        timestamptzText(at),
      ],
      'intake_insert_permit_uses',
    )
  }
  return granted
}
