import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { type EditionKey, editionNotFound } from '../rules/record.ts'
import { type Sweep, type SweepRecord, sweepNotFound, writeSweep } from './sweep.ts'

/**
 * How far the sweep after a publication is, at `at`: counted from the checks, so it does not matter who makes them.
 * @throws Problem `edition-not-found`, `sweep-not-found`
 */
export async function getSweep(sql: Sql, key: EditionKey, at: number): Promise<Sweep> {
  const [row] = await selectSweeps(sql, [key], at)
  if (row === undefined) throw editionNotFound(key)
  const sweep = sweepOf(row)
  if (sweep === null) throw sweepNotFound(key)
  return sweep
}

/** The same of many editions, in their order; null for one that is not published, or not there. */
export async function readSweeps(sql: Sql, keys: readonly EditionKey[], at: number): Promise<(Sweep | null)[]> {
  const textOf = ({ table, edition }: EditionKey) => `${table}/${edition}`
  const rows = new Map((await selectSweeps(sql, keys, at)).map((row) => [textOf(row), sweepOf(row)]))
  return keys.map((key) => rows.get(textOf(key)) ?? null)
}

/** A sweep, or an edition that has none yet. */
type SweepRow = Omit<SweepRecord, 'rulesVersion' | 'publishedAt'> & {
  readonly rulesVersion: number | null
  readonly publishedAt: number | null
}

function sweepOf({ rulesVersion, publishedAt, ...counted }: SweepRow): Sweep | null {
  if (rulesVersion === null || publishedAt === null) return null
  return writeSweep({ ...counted, rulesVersion, publishedAt })
}

/**
 * A revision in review cannot be blocked. Whose submission came after the publication was checked by it, and says nothing
 * of the sweep's end.
 */
function selectSweeps(sql: Sql, keys: readonly EditionKey[], at: number): Promise<SweepRow[]> {
  return sql.query<SweepRow>(
    `WITH live AS MATERIALIZED (
       SELECT r.plan, r.revision, r.state, r.submitted_at, coalesce(r.checked_version, 0) AS checked
       FROM governance.plan_revision r WHERE r.state IN ('in-review', 'approved', 'withdrawn') AND (r.state = 'in-review' OR (
         SELECT true FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
           AND (f.until_at IS NULL OR f.until_at > $3) LIMIT 1)))
     SELECT e.rule_table AS "table", e.edition, e.rules_version AS "rulesVersion", e.published_at AS "publishedAt",
       counted.*
     FROM unnest($1::text[], $2::int[]) AS asked (rule_table, edition)
     JOIN governance.rule_edition e USING (rule_table, edition)
     CROSS JOIN LATERAL (
       SELECT count(*) AS total, count(*) FILTER (WHERE checked >= e.rules_version) AS done,
         count(*) FILTER (WHERE state <> 'in-review' AND checked >= e.rules_version AND EXISTS (
           SELECT 1 FROM governance.block b WHERE b.plan = live.plan AND b.revision = live.revision
             AND b.rules_version = live.checked AND b.cause_version = e.rules_version)) AS blocked,
         max(CASE WHEN submitted_at <= e.published_at THEN (
           SELECT c.checked_at FROM governance.revision_check c WHERE c.plan = live.plan AND c.revision = live.revision
             AND c.rules_version >= e.rules_version ORDER BY c.rules_version LIMIT 1) END) AS "lastCheckedAt"
       FROM live) AS counted`,
    [keys.map(({ table }) => table), keys.map(({ edition }) => edition), timestamptzText(at)],
    'plans_sweeps',
  )
}
