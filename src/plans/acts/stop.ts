import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { writeInstant } from '../../exact/time.ts'
import { Problem, requireText } from '../../platform/problems.ts'
import { requireMove } from '../../platform/versioned.ts'
import { withdrawInterval } from '../in-force.ts'
import { lifecycle } from '../lifecycle.ts'
import { answerRevision } from '../reads.ts'
import { nameOf, type Revision, type RevisionKey } from '../record.ts'
import { markWithdrawn } from '../store.ts'
import { endInForce, selectInForceOf } from '../store-in-force.ts'
import type { Withdrawal } from '../words.ts'
import { findRevision, type PlanServices, recordRevision } from './draft.ts'

/**
 * Takes a revision that is in force or scheduled out of use, from this commit on. One person is enough to stop anything.
 * What it ended before stays ended: nothing is in force until a revision is approved.
 */
export async function withdrawRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  { reason }: Withdrawal,
): Promise<Revision> {
  const by = actor.person
  requireText(reason, '/reason')
  return runActOf(services.database, actor, async (act) => {
    const current = await findRevision(act.sql, key)
    const state = requireMove(lifecycle, 'withdrawRevision', current, { by })
    const from = act.effectiveAt('at-once', '')
    const ended = withdrawInterval(await selectInForceOf(act.sql, [key]), from)
    if (ended.length === 0) {
      throw new Problem('state-conflict', {
        detail: `${nameOf(key)} has ended already: it is in force nowhere, now or later.`,
        members: { state: current.state },
      })
    }
    await endInForce(act, ended)
    const record = await markWithdrawn(act, key, { state, by, reason, from })
    await recordRevision(act, 'withdrawRevision', actor, record, { reason, withdrawnFrom: writeInstant(from) })
    return answerRevision(act.sql, record)
  })
}
