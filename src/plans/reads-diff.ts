import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { type DiffedRevision, diffRevisions } from './diff.ts'
import type { RevisionDiff } from './diff-words.ts'
import { contentOf, type RevisionKey, type RevisionRecord, revisionNotFound } from './record.ts'
import { selectRevision } from './store.ts'

/**
 * What a revision asks otherwise than another one of its plan; than the one before it where `against` names none.
 * @throws Problem `revision-not-found`, also where there is none before it
 */
export async function diffRevision(sql: Sql, key: RevisionKey, against: number | undefined): Promise<RevisionDiff> {
  const to = await requireRevision(sql, key)
  const from = await requireRevision(sql, { plan: key.plan, revision: against ?? (await revisionBefore(sql, key)) })
  return diffRevisions(diffed(from), diffed(to))
}

async function requireRevision(sql: Sql, key: RevisionKey): Promise<RevisionRecord> {
  const record = await selectRevision(sql, key)
  if (record === undefined) throw revisionNotFound(key)
  return record
}

/** The highest number below it, in whatever state. */
async function revisionBefore(sql: Sql, { plan, revision }: RevisionKey): Promise<number> {
  const [row] = await sql.query<{ before: number | null }>(
    'SELECT max(revision) AS before FROM governance.plan_revision WHERE plan = $1 AND revision < $2',
    [plan, revision],
    'plans_revision_before',
  )
  const before = row?.before ?? null
  if (before !== null) return before
  throw new Problem('revision-not-found', {
    detail: `There is no revision of plan ${plan} before ${revision}; name another one in against.`,
  })
}

function diffed(record: RevisionRecord): DiffedRevision {
  return { revision: record.revision, digest: record.digest, content: contentOf(record) }
}
