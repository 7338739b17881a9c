import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { type Reconciler, startReconciler } from '../platform/reconcile.ts'
import { tickPage } from './acts-tick.ts'

/** Nobody notices an instant that comes, so this is how late its event may be. */
const LOOK_EVERY_MS = 1_000

/** Tells the feed of instants that arrive, each once, in any number of processes. */
export function startTicker(database: Database, log: Log): Reconciler {
  return startReconciler({ name: 'instants', everyMs: LOOK_EVERY_MS, log, step: () => tickPage(database) })
}
