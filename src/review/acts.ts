import type { PersonActor } from '../access/words.ts'
import { type PlanServices, submitRevision } from '../plans/acts/draft.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { Problem, type ProblemError } from '../platform/problems.ts'
import { diffRevisions } from './diff.ts'
import type { Change } from './diff-words.ts'
import { largeChanges } from './large-changes.ts'
import { readApprovedBefore, readPair } from './reads.ts'
import { diffed } from './reads-diff.ts'
import { insertLimitReasons } from './store.ts'
import type { LimitReason, RevisionSubmission } from './words.ts'

/**
 * Freezes a draft for the second person, as `submitRevision` of the plans does, once every limit that moves far from the
 * latest approved revision has a stated reason. The reasons are kept with the revision and in the ledger.
 * @throws Problem `limit-reason-missing` with every such limit; `field-invalid` where a reason is for none; what
 *   `submitRevision` refuses
 */
export async function submitReviewed(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  submission: RevisionSubmission,
): Promise<Revision> {
  const reasons = submission?.limitReasons ?? []
  const digest = submission?.digest
  const { to, from } = await readPair(services.database.sql, key, undefined)
  // A draft that has moved on is refused as such.
  if (to.state === 'draft' && (digest ?? to.digest) === to.digest) {
    requireReasons(from === undefined ? [] : largeChanges(diffRevisions(diffed(from), diffed(to)).changes), reasons)
  }
  return submitRevision(services, actor, key, { digest }, async (act, record) => {
    // What the reasons were compared with is still what it was; else whoever submits should look again.
    if (record.digest !== to.digest || (await readApprovedBefore(act.sql, key)) !== from?.revision) {
      throw new Problem('state-conflict', {
        detail: `The revision, or the approved one before it, has changed meanwhile. Read the review again.`,
      })
    }
    await insertLimitReasons(act, key, reasons)
    return reasons.length === 0 ? {} : { limitReasons: reasons }
  })
}

function requireReasons(changes: readonly Change[], reasons: readonly LimitReason[]): void {
  const stated = new Set(reasons.map(({ path }) => path))
  const needed = new Set(changes.map(({ path }) => path))
  const wrong: ProblemError[] = reasons.flatMap(({ path }, index) => {
    const pointer = `/limitReasons/${index}/path`
    if (!needed.has(path)) return [{ pointer, detail: `No limit that needs a reason changes at ${path}.` }]
    return reasons.findIndex((one) => one.path === path) === index ? [] : [{ pointer, detail: 'It is named twice.' }]
  })
  if (wrong.length > 0) throw new Problem('field-invalid', { errors: wrong })
  const missing = changes.filter(({ path }) => !stated.has(path))
  if (missing.length === 0) return
  throw new Problem('limit-reason-missing', {
    detail: 'State in limitReasons why these limits change so far.',
    errors: missing.map(({ path, sentence }) => ({
      pointer: '/limitReasons',
      code: 'field-missing',
      detail: `Needs a reason, with the path ${path}. ${sentence}`,
    })),
  })
}
