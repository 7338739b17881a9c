import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { type Reconciler, startReconciler } from '../platform/reconcile.ts'
import { impactPage } from './acts-step.ts'

/** How late an impact may go on. */
const LOOK_EVERY_MS = 1_000

/** Works through what was asked for, in any number of processes; each takes another impact, a page at a time. */
export function startImpacts(database: Database, log: Log): Reconciler {
  return startReconciler({ name: 'impacts', everyMs: LOOK_EVERY_MS, log, step: () => impactPage(database) })
}
