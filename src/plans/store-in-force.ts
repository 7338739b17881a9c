import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { Cell, InForce } from './in-force.ts'
import type { InForceRecord, RevisionKey } from './record.ts'

const COLUMNS = `plan, revision, product, variant, operation, site, from_at AS "from", until_at AS "until"`

/** The rows of a plan, of all its revisions. */
export function selectInForceOfPlan(sql: Sql, plan: string): Promise<InForce[]> {
  return sql.query<InForce>(
    `SELECT ${COLUMNS} FROM governance.in_force WHERE plan = $1 ORDER BY revision, variant, site`,
    [plan],
    'plans_in_force_of_plan',
  )
}

/** The rows of these revisions, each revision's in order of variant and site. */
export function selectInForceOf(sql: Sql, keys: readonly RevisionKey[]): Promise<InForceRecord[]> {
  return sql.query<InForceRecord>(
    `SELECT f.plan, f.revision, f.variant, f.site, f.from_at AS "from", f.until_at AS "until"
     FROM governance.in_force f JOIN unnest($1::text[], $2::int[]) AS asked (plan, revision) USING (plan, revision)
     ORDER BY f.plan, f.revision, f.variant COLLATE "C", f.site COLLATE "C"`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision)],
    'plans_in_force_of',
  )
}

/** The rows of other plans in these cells that have not ended at `from`. */
export function selectInForceOfOthers(
  sql: Sql,
  asked: { readonly plan: string; readonly cells: readonly Cell[]; readonly from: number },
): Promise<InForce[]> {
  const { plan, cells, from } = asked
  return sql.query<InForce>(
    `SELECT f.plan, f.revision, f.product, f.variant, f.operation, f.site, f.from_at AS "from", f.until_at AS "until"
     FROM governance.in_force f
     JOIN unnest($2::text[], $3::text[], $4::text[], $5::text[]) AS cell (product, variant, operation, site)
       USING (product, variant, operation, site)
     WHERE f.plan <> $1 AND (f.until_at IS NULL OR f.until_at > $6)
     ORDER BY f.plan, f.revision, f.variant, f.site`,
    [
      plan,
      cells.map(({ product }) => product),
      cells.map(({ variant }) => variant),
      cells.map(({ operation }) => operation),
      cells.map(({ site }) => site),
      timestamptzText(from),
    ],
    'plans_in_force_of_others',
  )
}

/** Puts a revision in force in the cells. The exclusion constraint `in_force_one` refuses where another revision is. */
export async function insertInForce(
  act: Act,
  { plan, revision }: RevisionKey,
  interval: { readonly cells: readonly Cell[]; readonly from: number; readonly until: number | null },
): Promise<void> {
  const { cells, from, until } = interval
  await act.sql.query(
    `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at, until_at)
     SELECT $1, $2, product, variant, operation, site, $7, $8
     FROM unnest($3::text[], $4::text[], $5::text[], $6::text[]) AS cell (product, variant, operation, site)`,
    [
      plan,
      revision,
      cells.map(({ product }) => product),
      cells.map(({ variant }) => variant),
      cells.map(({ operation }) => operation),
      cells.map(({ site }) => site),
      timestamptzText(from),
      until === null ? null : timestamptzText(until),
    ],
    'plans_insert_in_force',
  )
}

/** Sets the ends of rows that a later act ends, or gives back. */
export async function setInForceEnds(
  act: Act,
  ended: readonly { readonly row: InForceRecord; readonly until: number | null }[],
): Promise<void> {
  if (ended.length === 0) return
  await act.sql.query(
    `UPDATE governance.in_force f SET until_at = given.until_at
     FROM unnest($1::text[], $2::int[], $3::text[], $4::text[], $5::timestamptz[])
       AS given (plan, revision, variant, site, until_at)
     WHERE f.plan = given.plan AND f.revision = given.revision AND f.variant = given.variant AND f.site = given.site`,
    [
      ended.map(({ row }) => row.plan),
      ended.map(({ row }) => row.revision),
      ended.map(({ row }) => row.variant),
      ended.map(({ row }) => row.site),
      ended.map(({ until }) => (until === null ? null : timestamptzText(until))),
    ],
    'plans_end_in_force',
  )
}
