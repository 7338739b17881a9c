import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { requireText } from '../platform/problems.ts'
import { requireMove, requireToCome } from '../platform/versioned.ts'
import type { Cancellation, Rejection } from '../platform/versioned-words.ts'
import { entered, findVersion, type ProductServices } from './acts.ts'
import { lifecycle } from './lifecycle.ts'
import type { VersionKey } from './record.ts'
import { markCancelled, markRejected } from './store.ts'
import type { ProductVersion } from './words.ts'

/** Sends a version in review back. It stays as it was read; other content gets the next number. */
export async function rejectVersion(
  { database }: ProductServices,
  actor: PersonActor,
  key: VersionKey,
  { digest, reason }: Rejection,
): Promise<ProductVersion> {
  const by = actor.person
  requireText(reason, '/reason')
  return runActOf(database, actor, async (act) => {
    const state = requireMove(lifecycle, 'rejectVersion', await findVersion(act, key), { by, digest })
    return entered(act, 'rejectVersion', actor, await markRejected(act, key, { state, by, reason }), { reason })
  })
}

/**
 * Takes a confirmed version back before it has taken effect: the one before it holds on. Plans that cite it are checked
 * without it, so that those are blocked; what it alone would have blocked later is not.
 */
export async function cancelVersion(
  services: ProductServices,
  actor: PersonActor,
  key: VersionKey,
  { digest, reason }: Cancellation,
): Promise<ProductVersion> {
  const by = actor.person
  requireText(reason, '/reason')
  const answer = await runActOf(services.database, actor, async (act) => {
    const current = await findVersion(act, key)
    const state = requireMove(lifecycle, 'cancelVersion', current, { by, digest })
    requireToCome(current, current.effectiveFrom, act.at)
    const rulesVersion = act.raiseRules()
    const record = await markCancelled(act, key, { state, by, reason, rulesVersion })
    act.touch('product', key.product, 'all')
    // Keys of tables hold no slash, so this names no table.
    act.touch('rules', `product/${key.product}`, 'all')
    return entered(act, 'cancelVersion', actor, record, { reason, rulesVersion })
  })
  services.nudgeSweep?.()
  return answer
}
