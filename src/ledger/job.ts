import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { type Reconciler, startReconciler } from '../platform/reconcile.ts'
import { PAGE_MAX, sequencePage } from './acts-sequence.ts'
import { readOrderEnd } from './reads.ts'
import type { FeedEnd } from './reads-end.ts'

/** Uploads notify nobody, so this is how late an event may be. */
const LOOK_EVERY_MS = 500

/**
 * Gives every committed entry its place, in any number of processes: one at a time does, the others look again later.
 * Each tells those who wait in its own process, whichever process it was that gave the places.
 */
export function startSequencer(database: Database, end: FeedEnd, log: Log): Reconciler {
  return startReconciler({
    name: 'sequencer',
    everyMs: LOOK_EVERY_MS,
    log,
    step: () => sequencerStep(database, end),
  })
}

/** One look: nothing is locked or written where nothing is pending. */
export async function sequencerStep(database: Database, end: FeedEnd): Promise<'settled' | 'more'> {
  const before = await readOrderEnd(database.sql)
  end.moved(before.next)
  if (!before.isBehind) return 'settled'
  const taken = await sequencePage(database)
  if (taken === 'held') return 'settled'
  end.moved((await readOrderEnd(database.sql)).next)
  return taken === PAGE_MAX ? 'more' : 'settled'
}
