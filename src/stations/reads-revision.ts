import { digestOf } from '../exact/canonical.ts'
import { type PlanContent, PlanContentWire, type RevisionState } from '../plans/words.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { RevisionInForce } from './assignment.ts'
import type { Interval } from './instrument-assignment.ts'

/**
 * What this room asks about revisions. A check and its blocks come in one statement, or they could be of two versions.
 */
interface RevisionRow {
  readonly plan: string
  readonly revision: number
  readonly state: RevisionState
  readonly digest: string
  readonly content: string
  /** Rules version of the newest check; null where there is none. */
  readonly checkedVersion: number | null
  readonly editions: string[] | null
  readonly blockFroms: number[] | null
  readonly blockUntils: (number | null)[] | null
}

const REVISION = `r.plan, r.revision, r.state, r.digest, r.content, c.rules_version AS "checkedVersion", c.editions,
  b.froms AS "blockFroms", b.untils AS "blockUntils"`
const CHECK = `LEFT JOIN LATERAL (SELECT rules_version, editions FROM governance.revision_check
    JOIN governance.applied_editions a ON a.digest = applied_digest
    WHERE plan = r.plan AND revision = r.revision ORDER BY rules_version DESC LIMIT 1) c ON true
  LEFT JOIN LATERAL (SELECT array_agg(from_at ORDER BY from_at) AS froms, array_agg(until_at ORDER BY from_at) AS untils
    FROM governance.block WHERE plan = r.plan AND revision = r.revision AND rules_version = c.rules_version) b ON true`

/**
 * The revisions in force at `now` or later for a product, variant, operation and site, ascending. Withdrawn before they
 * began: left out.
 */
export async function readRevisionsInForce(
  sql: Sql,
  where: {
    readonly site: string
    readonly product: string
    readonly operation: string
    /** '' where the product has no variants. */
    readonly variant: string
    readonly now: number
    readonly rulesVersion: number
  },
): Promise<RevisionInForce[]> {
  const rows = await sql.query<RevisionRow & { from: number; until: number | null }>(
    `SELECT ${REVISION}, f.from_at AS "from", f.until_at AS "until" FROM governance.in_force f
     JOIN governance.plan_revision r ON r.plan = f.plan AND r.revision = f.revision ${CHECK}
     WHERE f.site = $1 AND f.product = $2 AND f.operation = $3 AND f.variant = $4
       AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $5)) ORDER BY f.from_at`,
    [where.site, where.product, where.operation, where.variant, timestamptzText(where.now)],
    'stations_in_force',
  )
  return rows.map((row) => ({
    plan: row.plan,
    revision: row.revision,
    revisionDigest: row.digest,
    content: contentOf(row),
    from: row.from,
    until: row.until,
    isChecked: row.checkedVersion === where.rulesVersion,
    blocks: blocksOf(row),
  }))
}

export interface RevisionToProgram {
  readonly digest: string
  readonly content: PlanContent
  /** At the instant asked about, at the site, for some variant. Before its approval a revision is neither. */
  readonly isScheduledOrInForce: boolean
}

/** What a programming needs of its revision; undefined where there is none. */
export async function readRevisionToProgram(
  sql: Sql,
  of: { readonly plan: string; readonly revision: number; readonly site: string; readonly at: number },
): Promise<RevisionToProgram | undefined> {
  const [row] = await sql.query<Pick<RevisionRow, 'plan' | 'revision' | 'digest' | 'content'> & { current: boolean }>(
    `SELECT r.plan, r.revision, r.digest, r.content, coalesce(r.approved_at <= $4, false) AND EXISTS (
       SELECT 1 FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision AND f.site = $3
         AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $4))) AS current
     FROM governance.plan_revision r WHERE r.plan = $1 AND r.revision = $2`,
    [of.plan, of.revision, of.site, timestamptzText(of.at)],
    'stations_revision_to_program',
  )
  return row && { digest: row.digest, content: contentOf(row), isScheduledOrInForce: row.current }
}

export interface RevisionForSheet {
  readonly digest: string
  readonly state: RevisionState
  readonly content: PlanContent
  readonly isChecked: boolean
  readonly blocks: readonly Interval[]
  /** Variants for which it is in force at `now`, at the site or, without one, anywhere. */
  readonly isInForce: boolean
  /** Editions of its newest check that bind by a stated reason. */
  readonly stated: readonly { readonly table: string; readonly edition: number; readonly reason: string }[]
}

/** What a setup sheet needs of its revision, at `now`; undefined where there is none. */
export async function readRevisionForSheet(
  sql: Sql,
  of: { readonly plan: string; readonly revision: number; readonly site: string | undefined },
  now: number,
  rulesVersion: number,
): Promise<RevisionForSheet | undefined> {
  const [row] = await sql.query<RevisionRow & { inForce: boolean }>(
    `SELECT ${REVISION}, EXISTS (SELECT 1 FROM governance.in_force f
         WHERE f.plan = r.plan AND f.revision = r.revision AND ($3::text IS NULL OR f.site = $3)
           AND f.from_at <= $4 AND (f.until_at IS NULL OR f.until_at > $4)) AS "inForce"
     FROM governance.plan_revision r ${CHECK} WHERE r.plan = $1 AND r.revision = $2`,
    [of.plan, of.revision, of.site ?? null, timestamptzText(now)],
    'stations_revision_for_sheet',
  )
  if (row === undefined) return undefined
  const stated = await sql.query<{ table: string; edition: number; reason: string }>(
    `SELECT rule_table AS "table", edition, binds_because AS reason FROM governance.rule_edition
     WHERE binds_because IS NOT NULL AND rule_table || '/' || edition = ANY ($1) ORDER BY rule_table, edition`,
    [row.editions ?? []],
    'stations_stated_editions',
  )
  return {
    digest: row.digest,
    state: row.state,
    content: contentOf(row),
    isChecked: row.checkedVersion === rulesVersion,
    blocks: blocksOf(row),
    isInForce: row.inForce,
    stated,
  }
}

function blocksOf({ blockFroms, blockUntils }: RevisionRow): Interval[] {
  return (blockFroms ?? []).map((from, index) => ({ from, until: blockUntils?.[index] ?? null }))
}

/** INVARIANT: what a station is told, or a person keys in, is what was signed: content that has its digest. */
function contentOf({ plan, revision, digest, content }: Pick<RevisionRow, 'plan' | 'revision' | 'digest' | 'content'>) {
  if (digestOf(content) !== digest) {
    throw new Error(`revision ${revision} of ${plan} was changed in the database: its digest does not fit`)
  }
  return PlanContentWire.parse(JSON.parse(content))
}
