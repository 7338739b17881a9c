import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { startReconciler } from '../platform/reconcile.ts'
import { checkPageBehind } from './acts/ensure-checked.ts'

/** Where a nudge was lost, the sweep looks by itself. */
const SWEEP_EVERY_MS = 10_000

export interface Sweep {
  /** Rules may have changed: look now. */
  nudge(): void
  /** No page begins any more; resolves when the one under way has ended. */
  stop(): Promise<void>
}

/** Pages under way at once: while the database stores one, the next is checked. */
const PAGES_AT_ONCE = 2

async function checkPagesBehind(database: Database): Promise<'settled' | 'more'> {
  const pages = await Promise.allSettled(Array.from({ length: PAGES_AT_ONCE }, () => checkPageBehind(database)))
  for (const page of pages) if (page.status === 'rejected') throw page.reason
  return pages.some((page) => page.status === 'fulfilled' && page.value === 'more') ? 'more' : 'settled'
}

/**
 * Checks every live revision that is behind the rules, a page at a time, until none is. Nudge it after a commit that
 * raised the rules version, and with each notice of the gate. Nothing depends on its having run: an upload whose revision
 * is not checked has it checked first.
 */
export function startSweep(database: Database, log: Log): Sweep {
  return startReconciler({
    name: 'revision checks',
    everyMs: SWEEP_EVERY_MS,
    log,
    step: () => checkPagesBehind(database),
  })
}
