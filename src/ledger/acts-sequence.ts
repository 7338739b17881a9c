import type { Database } from '../platform/database/pool.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { readLastPlace } from './reads.ts'
import { lockSequencer, placePage } from './store.ts'

export { PAGE_MAX } from './store.ts'

/**
 * Gives places to the oldest pending entries, at most PAGE_MAX of them: dense indexes after the last, and one `known_at` that is
 * never before the last one's, the clock's, or the `recorded_at` of any of them. One transaction, so that a process
 * killed on the way has done nothing. Gives the number of entries, or 'held' where another process is at it.
 */
export function sequencePage(database: Database): Promise<number | 'held'> {
  return inTransaction(database, async (sql) => {
    if (!(await lockSequencer(sql))) return 'held'
    // After the lock and in a statement of its own, so that it sees what the last holder committed.
    const { now, index, knownAt } = await readLastPlace(sql)
    return await placePage(sql, index + 1, Math.max(database.clock.read(now), knownAt))
  })
}
