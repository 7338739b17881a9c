import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { requireText } from '../platform/problems.ts'
import { requireMove, requireToCome } from '../platform/versioned.ts'
import type { Cancellation, Rejection } from '../platform/versioned-words.ts'
import { entered, findEdition, type RuleServices } from './acts.ts'
import { lifecycle } from './lifecycle.ts'
import type { Edition, EditionKey } from './record.ts'
import { markCancelled, markRejected } from './store.ts'

/** Sends an edition in review back. It stays as it was read; other content gets the next number. */
export async function rejectEdition(
  { database }: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  { digest, reason }: Rejection,
): Promise<Edition> {
  const by = actor.person
  requireText(reason, '/reason')
  return runActOf(database, actor, async (act) => {
    const state = requireMove(lifecycle, 'rejectEdition', await findEdition(act, key), { by, digest })
    return entered(act, 'rejectEdition', actor, await markRejected(act, key, { state, by, reason }), { reason })
  })
}

/**
 * Takes a published edition back before it has taken effect: the one before it holds on. The rules version rises, every
 * live revision is checked without it, and a block that it alone demanded has not begun, so it disappears.
 */
export async function cancelEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  { digest, reason }: Cancellation,
): Promise<Edition> {
  const by = actor.person
  requireText(reason, '/reason')
  const answer = await runActOf(services.database, actor, async (act) => {
    const current = await findEdition(act, key)
    const state = requireMove(lifecycle, 'cancelEdition', current, { by, digest })
    requireToCome(current, current.effectiveFrom, act.at)
    const rulesVersion = act.raiseRules()
    const record = await markCancelled(act, key, { state, by, reason, rulesVersion })
    act.touch('rules', key.table, 'all')
    return entered(act, 'cancelEdition', actor, record, { reason, rulesVersion })
  })
  services.nudgeSweep?.()
  return answer
}
