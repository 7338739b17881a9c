import { setTimeout as wait } from 'node:timers/promises'
import { failureOf, translated } from './errors.ts'
import type { Database } from './pool.ts'
import { type Sql, sqlOn } from './sql.ts'

export { type DatabaseFailure, failureOf, isDangling, isTaken, translated } from './errors.ts'
export type { Sql } from './sql.ts'

/** Waits before the second, third and last try, in milliseconds; each is stretched by chance, lest two losers meet again. */
const RETRY_AFTER_MS = [5, 25, 100] as const

/**
 * Runs `attempt` again where another transaction was in its way (40001, 40P01), three times at most. What is still in
 * the way then, or cannot be served now, is thrown as the Problem `overloaded`; everything else as it came.
 */
export async function withRetries<T>(attempt: () => Promise<T>): Promise<T> {
  for (let tries = 0; ; tries += 1) {
    try {
      return await attempt()
    } catch (error) {
      const delayMs = RETRY_AFTER_MS[tries]
      if (delayMs === undefined || failureOf(error)?.kind !== 'conflict') throw translated(error)
      await wait(delayMs * (1 + Math.random()))
    }
  }
}

/**
 * Runs `work` in one transaction, READ COMMITTED: every statement has a snapshot of its own, so lock first and read in
 * the next statement. `work` may run several times and must keep nothing from a try that failed. Statements end after
 * ten seconds, and a transaction that idles after five.
 */
export function inTransaction<T>(database: Database, work: (sql: Sql) => Promise<T>): Promise<T> {
  return withRetries(() => once(database, work))
}

async function once<T>(database: Database, work: (sql: Sql) => Promise<T>): Promise<T> {
  const client = await database.pool.connect()
  let isBroken = false
  try {
    await client.query('BEGIN ISOLATION LEVEL READ COMMITTED')
    const result = await work(sqlOn(client))
    const committed = await client.query('COMMIT')
    // After an error that `work` swallowed, the server answers COMMIT with ROLLBACK and no error.
    if (committed.command !== 'COMMIT') throw new Error('nothing was committed: work went on after a failed statement')
    return result
  } catch (error) {
    // On a connection that answers no more, ROLLBACK would only wait behind the statement that is lost.
    isBroken = failureOf(error)?.kind === 'lost'
    if (!isBroken) {
      await client.query('ROLLBACK').catch(() => {
        isBroken = true
      })
    }
    throw error
  } finally {
    // A connection that cannot even roll back is thrown away rather than lent to another.
    client.release(isBroken)
  }
}
