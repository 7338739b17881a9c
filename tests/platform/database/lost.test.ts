import { connect, createServer, type Server, type Socket } from 'node:net'
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { realClock } from '../../../src/platform/clock.ts'
import { type Database, openDatabase, STATEMENT_TIME_MAX_MS } from '../../../src/platform/database/pool.ts'
import { failureOf, inTransaction } from '../../../src/platform/database/transaction.ts'
import { silentLog } from '../../../src/platform/log.ts'
import { createTestDatabase, type TestDatabase } from '../../support/database.ts'

/** A network that breaks, or falls silent and tells nobody. */
const SILENCE_MS = 400

let urls: TestDatabase
let network: Network
let database: Database

beforeAll(async () => {
  urls = await createTestDatabase()
})
afterAll(() => urls.drop())

beforeEach(async () => {
  network = await networkTo(urls.serviceUrl)
  const url = new URL(network.url)
  // As the service's own limit, but not to be waited for.
  url.searchParams.set('query_timeout', String(SILENCE_MS))
  database = await openDatabase({ serviceUrl: url.href, clock: realClock, log: silentLog, poolMax: 2 })
})
afterEach(async () => {
  await database.close()
  await network.close()
})

interface Network {
  readonly url: string
  /** From now on no byte passes on the connections that are there; new ones are served. */
  fallSilent(): void
  /** Breaks the connections that are there. */
  break(): void
  close(): Promise<void>
}

/** A way to the server that can fall silent. */
async function networkTo(url: string): Promise<Network> {
  const pairs = new Set<readonly [Socket, Socket]>()
  const target = new URL(url)
  const server: Server = createServer((inner) => {
    const outer = connect(Number(target.port), target.hostname)
    for (const socket of [inner, outer]) socket.on('error', () => socket.destroy())
    inner.pipe(outer).pipe(inner)
    pairs.add([inner, outer])
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const address = server.address()
  if (address === null || typeof address === 'string') throw new Error('the server listens to no port')
  const through = new URL(url)
  through.port = String(address.port)
  const breakAll = () => {
    for (const pair of pairs) for (const socket of pair) socket.destroy()
    pairs.clear()
  }
  return {
    url: through.href,
    fallSilent() {
      for (const [inner, outer] of pairs) {
        inner.unpipe(outer).pause()
        outer.unpipe(inner).pause()
      }
    },
    break: breakAll,
    async close() {
      breakAll()
      await new Promise((resolve) => server.close(resolve))
    },
  }
}

const failed = (work: Promise<unknown>): Promise<unknown> =>
  work.then(
    () => undefined,
    (error: unknown) => error,
  )

test('an answer is waited for a little longer than the server gives a statement', async () => {
  const own = await openDatabase({ serviceUrl: urls.serviceUrl, clock: realClock, log: silentLog })
  try {
    expect(own.pool.options).toMatchObject({ query_timeout: STATEMENT_TIME_MAX_MS + 5_000 })
  } finally {
    await own.close()
  }
})

describe('a network that falls silent', () => {
  test('under a transaction is told as lost, and the next one gets a connection that answers', async () => {
    const epoch = database.epoch()
    const began = performance.now()
    const refused = await failed(
      inTransaction(database, async (sql) => {
        await sql.query('SELECT 1')
        network.fallSilent()
        await sql.query("SELECT 'never answered'")
      }),
    )
    const tookMs = performance.now() - began
    expect(refused).toMatchObject({ key: 'overloaded' })
    expect(failureOf(refused)?.kind).toBe('lost')
    expect(tookMs).toBeGreaterThanOrEqual(SILENCE_MS - 10)
    expect(await inTransaction(database, (sql) => sql.query('SELECT 2 AS two'))).toEqual([{ two: 2 }])
    expect(database.epoch()).toBeGreaterThan(epoch)
  })

  test('under one of two connections raises the epoch as well: the other may be to the old server', async () => {
    const held = await database.pool.connect()
    try {
      const epoch = database.epoch()
      const refused = await failed(
        inTransaction(database, async (sql) => {
          network.fallSilent()
          await sql.query('SELECT 1')
        }),
      )
      expect(failureOf(refused)?.kind).toBe('lost')
      expect(database.epoch()).toBeGreaterThan(epoch)
    } finally {
      held.release(true)
    }
  })

  test('under a transaction of Prisma gives the connection up as well', async () => {
    const refused = await failed(
      database.prisma.$transaction(async (prisma) => {
        await prisma.site.count()
        network.fallSilent()
        await prisma.site.count()
      }),
    )
    expect(failureOf(refused)?.kind).toMatch(/lost|overloaded/)
    const again = await Promise.all([1, 2, 3, 4].map(() => database.prisma.site.count()))
    expect(again).toEqual([0, 0, 0, 0])
  })
})

describe('a connection that breaks', () => {
  test('raises the epoch, idle or at work', async () => {
    await database.sql.query('SELECT 1')
    const first = database.epoch()
    network.break()
    await expect.poll(() => database.epoch(), { interval: 5 }).toBeGreaterThan(first)
    const second = database.epoch()
    const refused = await failed(
      inTransaction(database, async (sql) => {
        network.break()
        await sql.query('SELECT 1')
      }),
    )
    expect(failureOf(refused)?.kind).toBe('lost')
    expect(database.epoch()).toBeGreaterThan(second)
  })

  test('and nothing else raises it', async () => {
    await database.sql.query('SELECT 1')
    const epoch = database.epoch()
    await failed(inTransaction(database, (sql) => sql.query('SELECT 1 / 0')))
    await database.sql.query('SELECT 1')
    const both = [1, 2].map(() => inTransaction(database, (sql) => sql.query('SELECT pg_sleep(0.05)')))
    await Promise.all(both)
    expect(database.epoch()).toBe(epoch)
  })
})

test('a transaction whose connection is lost sends nothing more on it, and gives it up', async () => {
  const sent: string[] = []
  const released: unknown[] = []
  const client = {
    async query(asked: string | { text: string }) {
      const text = typeof asked === 'string' ? asked : asked.text
      sent.push(text)
      if (text === 'SELECT 1') throw new Error('Query read timeout')
      return { command: text, rows: [] }
    },
    release: (given: unknown) => released.push(given),
  }
  const pool = { connect: async () => client } as unknown as Database['pool']
  await failed(inTransaction({ ...database, pool }, (sql) => sql.query('SELECT 1')))
  expect(sent).toEqual(['BEGIN ISOLATION LEVEL READ COMMITTED', 'SELECT 1'])
  expect(released).toEqual([true])
})
