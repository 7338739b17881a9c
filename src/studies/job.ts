import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { type Reconciler, startReconciler } from '../platform/reconcile.ts'
import { studyPage } from './acts-step.ts'

/** How late a study may begin. */
const LOOK_EVERY_MS = 1_000

/** Works through what was asked for, in any number of processes; each takes another study, a page at a time. */
export function startStudies(database: Database, log: Log): Reconciler {
  return startReconciler({ name: 'studies', everyMs: LOOK_EVERY_MS, log, step: () => studyPage(database) })
}
