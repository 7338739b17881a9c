import pg from 'pg'
import { vi } from 'vitest'

/** How many statements a piece of work sends to the database, over all connections of this process. */
export async function statementsOf(work: () => Promise<unknown>): Promise<number> {
  const spy = vi.spyOn(pg.Client.prototype, 'query')
  try {
    await work()
    return spy.mock.calls.length
  } finally {
    spy.mockRestore()
  }
}
