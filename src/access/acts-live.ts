import type { Database } from '../platform/database/pool.ts'
import { type Act, runAct } from '../platform/gate.ts'
import { Problem } from '../platform/problems.ts'
import { isKeyLive } from './reads.ts'
import type { PersonActor } from './words.ts'

/**
 * Runs an act of a person. The key was looked at when the request began; it is looked at once more under the gate, so
 * that nothing is signed with a key that was revoked while the body arrived or the act waited. Ledger entries of the act
 * name the key.
 * @throws Problem `key-invalid` where the key was revoked meanwhile
 */
export function runActOf<T>(database: Database, actor: PersonActor, work: (act: Act) => Promise<T>): Promise<T> {
  return runAct(
    database,
    async (act) => {
      if (!(await isKeyLive(act.sql, actor.key))) throw new Problem('key-invalid')
      return await work(act)
    },
    actor.key,
  )
}
