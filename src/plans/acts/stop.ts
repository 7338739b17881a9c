import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { writeInstant } from '../../exact/time.ts'
import type { Act } from '../../platform/gate.ts'
import { Problem, requireText } from '../../platform/problems.ts'
import { requireMove, requireToCome } from '../../platform/versioned.ts'
import { type Cancellation, type Rejection, readEffect } from '../../platform/versioned-words.ts'
import type { Withdrawal } from '../act-words.ts'
import { clippedBy, isNeverInForce, restoredBy, withdrawInterval } from '../in-force.ts'
import { lifecycle } from '../lifecycle.ts'
import { answerRevision } from '../reads.ts'
import { keyText, nameOf, type Revision, type RevisionKey } from '../record.ts'
import { markCancelled, markRejected, markWithdrawn, selectApprovals } from '../store.ts'
import { selectInForceOf, selectInForceOfOthers, selectInForceOfPlan, setInForceEnds } from '../store-in-force.ts'
import { findRevision, type PlanServices, recordRevision } from './draft.ts'

/** Sends a revision in review back. It stays as it was read; other content gets the next number. */
export async function rejectRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  { digest, reason }: Rejection,
): Promise<Revision> {
  const by = actor.person
  requireText(reason, '/reason')
  return runActOf(services.database, actor, async (act) => {
    const state = requireMove(lifecycle, 'rejectRevision', await findRevision(act.sql, key), { by, digest })
    const record = await markRejected(act, key, { state, by, reason })
    await recordRevision(act, 'rejectRevision', actor, record, { reason })
    return answerRevision(act.sql, record)
  })
}

/**
 * Takes an approved revision back before it is in force. What its approval ended goes on as if it had never been given, up
 * to where another plan has been approved since.
 */
export async function cancelRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  { digest, reason }: Cancellation,
): Promise<Revision> {
  const by = actor.person
  requireText(reason, '/reason')
  return runActOf(services.database, actor, async (act) => {
    const current = await findRevision(act.sql, key)
    const state = requireMove(lifecycle, 'cancelRevision', current, { by, digest })
    requireToCome(current, current.inForceFrom, act.at)
    const restored = restoredBy(await selectApprovals(act.sql, key.plan), key.revision)
    // First its own rows: while they stand, those before may not reach into them.
    const own = await selectInForceOf(act.sql, [key])
    await setInForceEnds(
      act,
      own.map((row) => ({ row, until: row.from })),
    )
    await restore(act, key, restored)
    const record = await markCancelled(act, key, { state, by, reason })
    await recordRevision(act, 'cancelRevision', actor, record, {
      reason,
      restored: restored.map(({ revision }) => revision),
    })
    return answerRevision(act.sql, record)
  })
}

/** Gives rows of other revisions of the plan the ends that they would have had. */
async function restore(
  act: Act,
  { plan }: RevisionKey,
  restored: readonly { readonly revision: number; readonly until: number | null }[],
): Promise<void> {
  if (restored.length === 0) return
  const untils = new Map(restored.map(({ revision, until }) => [revision, until]))
  const rows = (await selectInForceOfPlan(act.sql, plan)).filter(({ revision }) => untils.has(revision))
  const from = Math.min(...rows.map((row) => row.until ?? row.from))
  const others = await selectInForceOfOthers(act.sql, { plan, cells: rows, from })
  const ends = rows.map((row) => ({ row, until: clippedBy(others, row, untils.get(row.revision) ?? null) }))
  await setInForceEnds(act, ends)
  for (const name of new Set(ends.map(({ row }) => keyText(row)))) act.touch('revision', name, 'all')
}

/**
 * Takes a revision that is in force or scheduled out of use: from this commit on, from an instant to come, or from one that
 * has passed. The last refuses nothing that was tested before this commit, and makes the evidence of all that was tested
 * with it since then suspect, however it came. One person is enough to stop anything. What it ended before stays ended:
 * nothing is in force until a revision is approved.
 */
export async function withdrawRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  { digest, reason, from: wanted }: Withdrawal,
): Promise<Revision> {
  const by = actor.person
  requireText(reason, '/reason')
  const asked = readEffect(wanted ?? 'at-once', '/from')
  return runActOf(services.database, actor, async (act) => {
    const current = await findRevision(act.sql, key)
    const state = requireMove(lifecycle, 'withdrawRevision', current, { by, digest })
    const atOnce = act.effectiveAt('at-once', '')
    const from = asked === 'at-once' ? atOnce : asked
    const rows = await selectInForceOf(act.sql, [key])
    const ended = withdrawInterval(rows, Math.max(from, atOnce))
    requireReach(current, rows, { from, isEarlier: from < (current.withdrawnFrom ?? Number.POSITIVE_INFINITY) })
    await setInForceEnds(act, ended)
    const record = await markWithdrawn(act, key, { state, by, reason, from })
    await recordRevision(act, 'withdrawRevision', actor, record, { reason, withdrawnFrom: writeInstant(from) })
    return answerRevision(act.sql, record)
  })
}

/** @throws Problem `state-conflict` where the withdrawal would change nothing */
function requireReach(
  current: { readonly state: string } & RevisionKey,
  rows: Parameters<typeof withdrawInterval>[0],
  { from, isEarlier }: { readonly from: number; readonly isEarlier: boolean },
): void {
  const isReached = rows.some((row) => !isNeverInForce(row) && (row.until === null || row.until > from))
  if (isReached && isEarlier) return
  const detail = isEarlier
    ? `${nameOf(current)} has ended already: it is in force nowhere, from ${writeInstant(from)} on.`
    : `${nameOf(current)} is withdrawn from an instant that is no later.`
  throw new Problem('state-conflict', { detail, members: { state: current.state } })
}
