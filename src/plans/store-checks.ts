import { CanonicalPart, canonicalText, digestOf } from '../exact/canonical.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { type AppliedEditions, appliedByAny, appliedOf } from './applied-editions.ts'
import type { RevisionCheck } from './check.ts'
import { type Finding, type Found, found, type RevisionCheckVerdict, writeFinding } from './findings.ts'
import { type CheckRecord, keyText, type RevisionKey } from './record.ts'
import type { Block } from './step-blocks.ts'
import type { RevisionState } from './words.ts'

// ------------------------------------------------------------------------------------------------ what is behind

/** A revision that is held until the transaction ends, as it was found then. */
export interface HeldRevision extends RevisionKey {
  readonly state: Exclude<RevisionState, 'draft' | 'rejected'>
  readonly product: string
  readonly digest: string
  readonly submittedAt: number | null
  readonly inForceFrom: number | null
  readonly approvedVersion: number | null
  readonly checkedVersion: number | null
}

const HELD = `r.plan, r.revision, r.state, r.product, r.digest, r.submitted_at AS "submittedAt",
  r.in_force_from AS "inForceFrom", r.approved_version AS "approvedVersion", r.checked_version AS "checkedVersion"`

/** Holds those of the revisions named that are not checked at the rules version. Drafts are never checked, and nothing rejected any more. */
export function holdBehind(sql: Sql, keys: readonly RevisionKey[], rulesVersion: number): Promise<HeldRevision[]> {
  return sql.query<HeldRevision>(
    `SELECT ${HELD} FROM governance.plan_revision r
     WHERE (r.plan, r.revision) IN (SELECT plan, revision FROM unnest($1::text[], $2::int[]) AS asked (plan, revision))
       AND r.state NOT IN ('draft', 'rejected') AND (r.checked_version IS NULL OR r.checked_version < $3)
     ORDER BY r.plan COLLATE "C", r.revision FOR NO KEY UPDATE`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision), rulesVersion],
    'plans_hold_behind',
  )
}

/**
 * Holds some revisions that are behind and live: in review, or approved and not ended at `at`, withdrawn
 * from a later instant or not. What another process
 * holds is passed over, since it is being checked there; who never waits needs no order of locks. Written so that a page
 * costs what is on it: EXISTS would be answered by reading all intervals, for each page anew.
 */
export function holdPageBehind(
  sql: Sql,
  asked: { readonly rulesVersion: number; readonly at: number; readonly limit: number },
): Promise<HeldRevision[]> {
  return sql.query<HeldRevision>(
    `SELECT ${HELD} FROM governance.plan_revision r
     WHERE r.state IN ('in-review', 'approved', 'withdrawn') AND coalesce(r.checked_version, 0) < $1
       AND (r.state = 'in-review' OR (
         SELECT true FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
           AND (f.until_at IS NULL OR f.until_at > $2) LIMIT 1))
     ORDER BY coalesce(r.checked_version, 0) LIMIT $3 FOR NO KEY UPDATE SKIP LOCKED`,
    [asked.rulesVersion, timestamptzText(asked.at), asked.limit],
    'plans_hold_page_behind',
  )
}

const LIVE = `(r.state = 'in-review' OR (r.state IN ('approved', 'withdrawn') AND EXISTS (
  SELECT 1 FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
    AND (f.until_at IS NULL OR f.until_at > $1))))`

/** The next live revisions, in order of plans and numbers, whether or not they are behind; held by nobody. */
export function selectLiveAfter(
  sql: Sql,
  page: { readonly at: number; readonly after: RevisionKey | null; readonly limit: number },
): Promise<HeldRevision[]> {
  return sql.query<HeldRevision>(
    `SELECT ${HELD} FROM governance.plan_revision r
     WHERE ${LIVE} AND ($2::text IS NULL OR (r.plan COLLATE "C", r.revision) > ($2, $3::int))
     ORDER BY r.plan COLLATE "C", r.revision LIMIT $4`,
    [timestamptzText(page.at), page.after?.plan ?? null, page.after?.revision ?? null, page.limit],
    'plans_live_after',
  )
}

export async function countLive(sql: Sql, at: number): Promise<number> {
  const [row] = await sql.query<{ count: number }>(
    `SELECT count(*) AS count FROM governance.plan_revision r WHERE ${LIVE}`,
    [timestamptzText(at)],
    'plans_count_live',
  )
  return row?.count ?? 0
}

/**
 * The stored content of these revisions, by `keyText`: as many as fit into so many bytes, one at least. Ask once they are
 * held.
 */
export async function selectContents(
  sql: Sql,
  keys: readonly RevisionKey[],
  bytesMax: number,
): Promise<Map<string, string>> {
  const rows = await sql.query<RevisionKey & { content: string }>(
    `SELECT plan, revision, content FROM (
       SELECT plan, revision, content, sum(octet_length(content)) OVER (ORDER BY plan, revision) AS through
       FROM governance.plan_revision JOIN unnest($1::text[], $2::int[]) AS asked (plan, revision) USING (plan, revision)
     ) held WHERE through - octet_length(content) < $3`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision), bytesMax],
    'plans_contents',
  )
  return new Map(rows.map((row) => [keyText(row), row.content]))
}

// ------------------------------------------------------------------------------------------------ checks and blocks

export interface NewCheck extends RevisionKey {
  /** Of which the check is. */
  readonly rulesVersion: number
  readonly check: RevisionCheck
  /** The complete list after this check; empty for a revision that was never approved. */
  readonly blocks: readonly Block[]
}

/**
 * Appends checks with their findings and blocks, and marks the revisions as checked: one statement, whatever the number
 * of revisions. `at`: the instant at which they were made. Who appends the same applied editions waits for this
 * transaction's end; their order keeps two from waiting for each other, so call it once in a transaction.
 */
export async function insertChecks(sql: Sql, checks: readonly NewCheck[], at: number): Promise<void> {
  if (checks.length === 0) return
  const written = checks.map(({ check }) => check.findings.map((finding) => canonicalText(writeFinding(finding))))
  const findings = checks.flatMap(({ plan, revision, rulesVersion, check }, index) =>
    check.findings.map((finding, ordinal) => {
      const content = written[index]?.[ordinal] ?? ''
      return { plan, revision, rulesVersion, ordinal, finding, content }
    }),
  )
  const applied = checks.map(({ check }) => appliedOf(check))
  const distinct = appliedByAny(checks.map(({ check }) => check))
  const blocks = checks.flatMap(({ plan, revision, rulesVersion, blocks }) =>
    blocks.map((block) => ({ plan, revision, rulesVersion, ...block })),
  )
  const counted = checks.map(({ check }) => countsOf(check.findings))
  await sql.query(
    `WITH new_check AS (
       INSERT INTO governance.revision_check (plan, revision, rules_version, verdict, applied_digest, applied_from,
         blocking_count, warning_count, digest, checked_at)
       SELECT plan, revision, rules_version, verdict, applied_digest, applied_from, blocking_count, warning_count,
         digest, $2
       FROM unnest($3::text[], $4::int[], $1::int[], $5::text[], $6::text[], $7::int[], $8::int[], $9::text[], $24::timestamptz[])
         AS given (plan, revision, rules_version, verdict, applied_digest, blocking_count, warning_count, digest, applied_from)
     ), new_applied AS (
       INSERT INTO governance.applied_editions (digest, applied, editions)
       SELECT digest, applied, string_to_array(editions, ' ')
       FROM unnest($27::text[], $28::text[], $29::text[]) AS given (digest, applied, editions)
       ORDER BY digest COLLATE "C" ON CONFLICT (digest) DO NOTHING
     ), new_finding AS (
       INSERT INTO governance.finding (plan, revision, rules_version, ordinal, severity, code, from_at, until_at, content)
       SELECT plan, revision, rules_version, ordinal, severity, code, from_at, until_at, content
       FROM unnest($10::text[], $11::int[], $25::int[], $12::int[], $13::text[], $14::text[], $15::timestamptz[], $16::timestamptz[],
         $17::text[]) AS given (plan, revision, rules_version, ordinal, severity, code, from_at, until_at, content)
     ), new_block AS (
       INSERT INTO governance.block (plan, revision, rules_version, from_at, until_at, cause_version, causes)
       SELECT plan, revision, rules_version, from_at, until_at, cause_version, causes
       FROM unnest($18::text[], $19::int[], $26::int[], $20::timestamptz[], $21::timestamptz[], $22::int[], $23::text[])
         AS given (plan, revision, rules_version, from_at, until_at, cause_version, causes)
     )
     UPDATE governance.plan_revision r SET checked_version = given.rules_version
     FROM unnest($3::text[], $4::int[], $1::int[]) AS given (plan, revision, rules_version)
     WHERE r.plan = given.plan AND r.revision = given.revision`,
    [
      checks.map(({ rulesVersion }) => rulesVersion),
      timestamptzText(at),
      checks.map(({ plan }) => plan),
      checks.map(({ revision }) => revision),
      checks.map(({ check }) => check.verdict),
      applied.map(({ digest }) => digest),
      counted.map(({ blockingCount }) => blockingCount),
      counted.map(({ warningCount }) => warningCount),
      checks.map(({ check }, index) => checkDigest(check.verdict, applied[index], written[index] ?? [])),
      findings.map(({ plan }) => plan),
      findings.map(({ revision }) => revision),
      findings.map(({ ordinal }) => ordinal),
      findings.map(({ finding }) => finding.severity),
      findings.map(({ finding }) => finding.code),
      findings.map(({ finding }) => timestamptzText(finding.from)),
      findings.map(({ finding }) => openEnd(finding.until)),
      findings.map(({ content }) => content),
      blocks.map(({ plan }) => plan),
      blocks.map(({ revision }) => revision),
      blocks.map(({ from }) => timestamptzText(from)),
      blocks.map(({ until }) => openEnd(until)),
      blocks.map(({ causeVersion }) => causeVersion),
      blocks.map(({ causes }) => canonicalText(causes)),
      applied.map(({ from }) => timestamptzText(from)),
      findings.map(({ rulesVersion }) => rulesVersion),
      blocks.map(({ rulesVersion }) => rulesVersion),
      distinct.map(({ digest }) => digest),
      distinct.map(({ applied }) => applied),
      // Lists of different length cannot be rows of one array; keys hold no blank.
      distinct.map(({ editions }) => editions.join(' ')),
    ],
    'plans_insert_checks',
  )
}

/** Appends the first blocks of a revision, under the check with which it was approved. */
export async function insertFirstBlocks(
  sql: Sql,
  { plan, revision }: RevisionKey,
  blocks: readonly Block[],
  rulesVersion: number,
): Promise<void> {
  if (blocks.length === 0) return
  await sql.query(
    `INSERT INTO governance.block (plan, revision, rules_version, from_at, until_at, cause_version, causes)
     SELECT $1, $2, $3, from_at, until_at, cause_version, causes
     FROM unnest($4::timestamptz[], $5::timestamptz[], $6::int[], $7::text[])
       AS given (from_at, until_at, cause_version, causes)`,
    [
      plan,
      revision,
      rulesVersion,
      blocks.map(({ from }) => timestamptzText(from)),
      blocks.map(({ until }) => openEnd(until)),
      blocks.map(({ causeVersion }) => causeVersion),
      blocks.map(({ causes }) => canonicalText(causes)),
    ],
    'plans_insert_first_blocks',
  )
}

/** How many findings of each severity. */
export function countsOf(findings: readonly Finding[]): { blockingCount: number; warningCount: number } {
  const blockingCount = findings.filter(({ severity }) => severity === 'blocking').length
  return { blockingCount, warningCount: findings.length - blockingCount }
}

/** What a check says, as one digest: two checkers that agree have the same. `findings` as canonical text. */
function checkDigest(
  verdict: RevisionCheckVerdict,
  applied: Pick<AppliedEditions, 'digest' | 'from'> | undefined,
  findings: readonly string[],
): string {
  const { digest, from } = applied ?? {}
  return digestOf(
    canonicalText({ verdict, applied: digest, from, findings: findings.map((text) => new CanonicalPart(text)) }),
  )
}

const CHECK = `c.plan, c.revision, c.rules_version AS "rulesVersion", c.verdict, a.editions,
  c.blocking_count AS "blockingCount", c.warning_count AS "warningCount", c.checked_at AS "checkedAt"`

/** The newest check of each of these revisions, where there is one. */
export function selectNewestChecks(sql: Sql, keys: readonly RevisionKey[]): Promise<CheckRecord[]> {
  return sql.query<CheckRecord>(
    `SELECT ${CHECK} FROM unnest($1::text[], $2::int[]) AS asked (plan, revision)
     CROSS JOIN LATERAL (SELECT * FROM governance.revision_check c
       WHERE c.plan = asked.plan AND c.revision = asked.revision ORDER BY rules_version DESC LIMIT 1) c
     JOIN governance.applied_editions a ON a.digest = c.applied_digest`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision)],
    'plans_newest_checks',
  )
}

/** The check at one rules version; undefined where there is none. */
export async function selectCheck(
  sql: Sql,
  { plan, revision }: RevisionKey,
  rulesVersion: number,
): Promise<CheckRecord | undefined> {
  const [row] = await sql.query<CheckRecord>(
    `SELECT ${CHECK} FROM governance.revision_check c
     JOIN governance.applied_editions a ON a.digest = c.applied_digest
     WHERE plan = $1 AND revision = $2 AND rules_version = $3`,
    [plan, revision, rulesVersion],
    'plans_check',
  )
  return row
}

/** Findings of one check in their order, after an ordinal. */
export async function selectFindings(
  sql: Sql,
  { plan, revision }: RevisionKey,
  page: { readonly rulesVersion: number; readonly after: number; readonly limit: number },
): Promise<{ readonly ordinal: number; readonly finding: Finding }[]> {
  const rows = await sql.query<FindingRow>(
    `SELECT ordinal, from_at AS "from", until_at AS "until", content FROM governance.finding
     WHERE plan = $1 AND revision = $2 AND rules_version = $3 AND ordinal > $4 ORDER BY ordinal LIMIT $5`,
    [plan, revision, page.rulesVersion, page.after, page.limit],
    'plans_findings',
  )
  return rows.map(findingOf)
}

/** The same page of the findings of each of these checks, in their order. */
export async function selectFindingsOf(
  sql: Sql,
  checks: readonly (RevisionKey & { readonly rulesVersion: number })[],
  page: { readonly after: number; readonly limit: number },
): Promise<(RevisionKey & { readonly ordinal: number; readonly finding: Finding })[]> {
  const rows = await sql.query<RevisionKey & FindingRow>(
    `SELECT f.* FROM unnest($1::text[], $2::int[], $3::int[]) AS asked (of_plan, of_revision, of_version)
     CROSS JOIN LATERAL (
       SELECT plan, revision, ordinal, from_at AS "from", until_at AS "until", content FROM governance.finding
       WHERE plan = of_plan AND revision = of_revision AND rules_version = of_version AND ordinal > $4
       ORDER BY ordinal LIMIT $5) f`,
    [
      checks.map(({ plan }) => plan),
      checks.map(({ revision }) => revision),
      checks.map(({ rulesVersion }) => rulesVersion),
      page.after,
      page.limit,
    ],
    'plans_findings_of',
  )
  return rows.map(({ plan, revision, ...row }) => ({ plan, revision, ...findingOf(row) }))
}

interface FindingRow {
  readonly ordinal: number
  readonly from: number
  readonly until: number | null
  readonly content: string
}

function findingOf({ ordinal, from, until, content }: FindingRow): { ordinal: number; finding: Finding } {
  // Canonical text leaves out what is null; its instants are those of the columns.
  const stored: Pick<Found, 'severity' | 'code'> & Partial<Found> = JSON.parse(content)
  return { ordinal, finding: { ...found(stored), from, until } }
}

/** The blocks that belong to the newest check of each of these revisions, by `keyText`. */
export async function selectBlocks(
  sql: Sql,
  checks: readonly (RevisionKey & { readonly rulesVersion: number })[],
): Promise<Map<string, Block[]>> {
  const rows = await sql.query<RevisionKey & Omit<Block, 'causes'> & { causes: string }>(
    `SELECT plan, revision, from_at AS "from", until_at AS "until", cause_version AS "causeVersion", causes
     FROM governance.block
     JOIN unnest($1::text[], $2::int[], $3::int[]) AS asked (plan, revision, rules_version)
       USING (plan, revision, rules_version) ORDER BY from_at`,
    [
      checks.map(({ plan }) => plan),
      checks.map(({ revision }) => revision),
      checks.map(({ rulesVersion }) => rulesVersion),
    ],
    'plans_blocks',
  )
  const blocks = new Map<string, Block[]>()
  for (const { plan, revision, causes, ...row } of rows) {
    const key = keyText({ plan, revision })
    const list = blocks.get(key) ?? []
    list.push({ ...row, causes: JSON.parse(causes) })
    blocks.set(key, list)
  }
  return blocks
}

function openEnd(at: number | null): string | null {
  return at === null ? null : timestamptzText(at)
}
