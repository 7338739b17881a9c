import { readNumbersBefore, readRevisionRecords } from '../plans/reads-many.ts'
import { contentOf, keyText, type RevisionKey, type RevisionRecord, revisionNotFound } from '../plans/record.ts'
import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { type DiffedRevision, diffRevisions } from './diff.ts'
import type { RevisionDiff } from './diff-words.ts'

/**
 * What a revision asks otherwise than another one of its plan; than the one before it where `against` names none.
 * @throws Problem `revision-not-found`, also where there is none before it
 */
export async function diffRevision(sql: Sql, key: RevisionKey, against: number | undefined): Promise<RevisionDiff> {
  const [diff = null] = await diffRevisionsOf(sql, [key], against)
  if (diff instanceof Problem) throw diff
  if (diff !== null) return diff
  throw new Problem('revision-not-found', {
    detail: `There is no revision of plan ${key.plan} before ${key.revision}; name another one in against.`,
  })
}

/**
 * What each revision asks otherwise than another one of its plan; than the one before it where `against` names none. In
 * the order of the keys: the difference, null where there is none before it, or the refusal.
 */
export async function diffRevisionsOf(
  sql: Sql,
  keys: readonly RevisionKey[],
  against: number | undefined,
): Promise<(RevisionDiff | Problem | null)[]> {
  const before = against === undefined ? await readNumbersBefore(sql, keys) : undefined
  const pairs = keys.map(({ plan, revision }) => {
    const other = against ?? before?.get(keyText({ plan, revision }))
    return { to: { plan, revision }, from: other === undefined ? undefined : { plan, revision: other } }
  })
  const named = new Map(pairs.flatMap(({ to, from }) => (from ? [to, from] : [to])).map((key) => [keyText(key), key]))
  const records = await readRevisionRecords(sql, [...named.values()])
  return pairs.map(({ to, from }) => {
    if (from === undefined) return null
    const [newer, older] = [records.get(keyText(to)), records.get(keyText(from))]
    if (newer === undefined) return revisionNotFound(to)
    if (older === undefined) return revisionNotFound(from)
    return diffRevisions(diffed(older), diffed(newer))
  })
}

export function diffed(record: RevisionRecord): DiffedRevision {
  return { revision: record.revision, digest: record.digest, content: contentOf(record) }
}
