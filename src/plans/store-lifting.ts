import { canonicalText } from '../exact/canonical.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { type Finding, type Found, found } from './findings.ts'
import { keyText, type RevisionKey } from './record.ts'
import type { Block } from './step-blocks.ts'
import type { RevisionState } from './words.ts'

/** A revision whose block is to be lifted. */
export interface LiftableRevision extends RevisionKey {
  readonly state: RevisionState
  readonly digest: string
  readonly authors: readonly string[]
  readonly checkedVersion: number | null
  /** It is in force somewhere at the instant asked about, or later. */
  readonly isUsable: boolean
}

/** Those of the revisions named that are there, by `keyText`. */
export async function selectLiftable(
  sql: Sql,
  keys: readonly RevisionKey[],
  from: number,
): Promise<Map<string, LiftableRevision>> {
  const rows = await sql.query<LiftableRevision>(
    `SELECT r.plan, r.revision, r.state, r.digest, r.authors, r.checked_version AS "checkedVersion", EXISTS (
       SELECT 1 FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
         AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $3))) AS "isUsable"
     FROM governance.plan_revision r JOIN unnest($1::text[], $2::int[]) AS asked (plan, revision) USING (plan, revision)`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision), timestamptzText(from)],
    'plans_liftable',
  )
  return new Map(rows.map((row) => [keyText(row), row]))
}

/**
 * The blocking findings of checks at one rules version that have not ended by an instant, by `keyText`; no entry for a
 * revision without such a check. In one statement, since somebody may be checking: a check is never seen without them.
 */
export async function selectBlockingFindings(
  sql: Sql,
  keys: readonly RevisionKey[],
  { rulesVersion, after }: { readonly rulesVersion: number; readonly after: number },
): Promise<Map<string, Finding[]>> {
  const rows = await sql.query<RevisionKey & { from: number | null; until: number | null; content: string | null }>(
    `SELECT c.plan, c.revision, f.from_at AS "from", f.until_at AS "until", f.content
     FROM governance.revision_check c JOIN unnest($1::text[], $2::int[]) AS asked (plan, revision) USING (plan, revision)
     LEFT JOIN governance.finding f ON f.plan = c.plan AND f.revision = c.revision AND f.rules_version = c.rules_version
       AND f.severity = 'blocking' AND (f.until_at IS NULL OR f.until_at > $4)
     WHERE c.rules_version = $3 ORDER BY c.plan, c.revision, f.ordinal`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision), rulesVersion, timestamptzText(after)],
    'plans_blocking_findings',
  )
  const findings = new Map<string, Finding[]>()
  for (const { content, from, until, ...key } of rows) {
    const list = findings.get(keyText(key)) ?? []
    findings.set(keyText(key), list)
    if (content === null || from === null) continue
    const stored: Pick<Found, 'severity' | 'code'> & Partial<Found> = JSON.parse(content)
    list.push({ ...found(stored), from, until })
  }
  return findings
}

/**
 * Writes what lifting came to into the blocks of the checks at a rules version: the block that was open ends, and one that
 * begins later is added. Checks of later versions go on from these.
 */
export async function writeLifted(
  sql: Sql,
  lifted: readonly (RevisionKey & { readonly blocks: readonly Block[] })[],
  { rulesVersion, from }: { readonly rulesVersion: number; readonly from: number },
): Promise<void> {
  const rows = lifted.flatMap(({ plan, revision, blocks }) => blocks.map((block) => ({ plan, revision, ...block })))
  const ended = rows.filter(({ until }) => until === from)
  const begun = rows.filter((row) => row.until === null && row.from > from)
  await sql.query(
    `WITH added AS (
       INSERT INTO governance.block (plan, revision, rules_version, from_at, until_at, cause_version, causes)
       SELECT plan, revision, $1, from_at, NULL, cause_version, causes
       FROM unnest($6::text[], $7::int[], $8::timestamptz[], $9::int[], $10::text[])
         AS given (plan, revision, from_at, cause_version, causes)
     )
     UPDATE governance.block b SET until_at = $2
     FROM unnest($3::text[], $4::int[], $5::timestamptz[]) AS given (plan, revision, from_at)
     WHERE b.plan = given.plan AND b.revision = given.revision AND b.rules_version = $1 AND b.from_at = given.from_at`,
    [
      rulesVersion,
      timestamptzText(from),
      ended.map(({ plan }) => plan),
      ended.map(({ revision }) => revision),
      ended.map((row) => timestamptzText(row.from)),
      begun.map(({ plan }) => plan),
      begun.map(({ revision }) => revision),
      begun.map((row) => timestamptzText(row.from)),
      begun.map(({ causeVersion }) => causeVersion),
      begun.map(({ causes }) => canonicalText(causes)),
    ],
    'plans_write_lifted',
  )
}
