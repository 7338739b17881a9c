import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { realClock } from '../../../src/platform/clock.ts'
import { openDatabase } from '../../../src/platform/database/pool.ts'
import { timestamptzText } from '../../../src/platform/database/sql.ts'
import { failureOf } from '../../../src/platform/database/transaction.ts'
import { silentLog } from '../../../src/platform/log.ts'
import { instant } from '../../support/clock.ts'
import { openTestDatabase } from '../../support/database.ts'

let test1: Awaited<ReturnType<typeof openTestDatabase>>
beforeAll(async () => {
  test1 = await openTestDatabase()
})
afterAll(() => test1.close())

const options = (url: string) => ({ serviceUrl: url, clock: realClock, log: silentLog })

describe('opening a database', () => {
  test('a session that is not in UTC is refused, with what to do', async () => {
    const url = `${test1.urls.serviceUrl}?options=-c%20TimeZone%3DAsia%2FTokyo`
    await expect(openDatabase(options(url))).rejects.toThrow('this one runs in Asia/Tokyo')
  })

  test('a session that would lose acknowledged uploads is refused', async () => {
    const url = `${test1.urls.serviceUrl}?options=-c%20TimeZone%3DUTC%20-c%20synchronous_commit%3Doff`
    await expect(openDatabase(options(url))).rejects.toThrow('synchronous_commit is off')
  })

  test('a server that is not there is told as it is', async () => {
    await expect(openDatabase(options('postgresql://a:b@127.0.0.1:1/none'))).rejects.toThrow('ECONNREFUSED')
  })
})

describe('types of hand-written SQL', () => {
  test('bigint is a number, timestamptz milliseconds, numeric and date are text', async () => {
    const rows = await test1.database.sql.query(
      `SELECT count(*) AS n, $1::timestamptz AS at, 1.10::numeric AS exact, DATE '2026-03-16' AS day,
              ARRAY[1::int8, NULL, 3] AS many, ARRAY[$1::timestamptz] AS instants, '\\x00ff'::bytea AS raw,
              TIMESTAMPTZ '2026-03-16 09:14:39.9309+00' AS cut, 'infinity'::timestamptz AS never
       FROM generate_series(1, 3)`,
      [timestamptzText(instant('2026-03-16T09:14:39.930Z'))],
    )
    expect(rows).toEqual([
      {
        n: 3,
        at: instant('2026-03-16T09:14:39.930Z'),
        exact: '1.10',
        day: '2026-03-16',
        many: [1, null, 3],
        instants: [instant('2026-03-16T09:14:39.930Z')],
        raw: Buffer.from([0, 255]),
        cut: instant('2026-03-16T09:14:39.930Z'),
        never: Number.POSITIVE_INFINITY,
      },
    ])
  })

  test.each([
    ['0001-01-01T00:00:00.000Z'],
    ['0099-12-31T23:59:59.999Z'],
    ['1969-12-31T23:59:59.999Z'],
    ['1970-01-01T00:00:00.000Z'],
    ['2000-02-29T00:00:00.001Z'],
    ['9999-12-31T23:59:59.999Z'],
  ])('%s comes back as it went', async (text) => {
    const [row] = await test1.database.sql.query('SELECT $1::timestamptz AS at', [timestamptzText(instant(text))])
    expect(row).toEqual({ at: instant(text) })
  })

  test('a bigint that a number cannot hold is refused, not rounded', async () => {
    await expect(test1.database.sql.query('SELECT 9007199254740993::int8 AS n')).rejects.toThrow(RangeError)
  })

  test('a prepared statement is planned once for a connection', async () => {
    const ask = () => test1.database.sql.query("SELECT 'lk' AS text", [], 'pool_test_named')
    await Promise.all([ask(), ask(), ask()])
    await ask()
    const client = await test1.database.pool.connect()
    client.release()
    const [row] = await test1.database.sql.query<{ n: number }>(
      "SELECT count(*) AS n FROM pg_prepared_statements WHERE name = 'pool_test_named'",
    )
    expect(row?.n).toBe(1)
  })
})

describe('Prisma on the same pool', () => {
  const site = (key: string) => ({
    site: key,
    name: 'Aldermoor Works',
    timeZone: 'Europe/London',
    openedAt: new Date('2026-03-16T09:14:39.930Z'),
    recordedAt: new Date('2026-03-16T09:14:39.930Z'),
    recordedBy: 'p-1',
  })

  test('what Prisma writes, hand-written SQL reads as the same instant', async () => {
    await test1.database.prisma.site.create({ data: site('LEEDS') })
    const rows = await test1.database.sql.query('SELECT opened_at FROM governance.site WHERE site = $1', ['LEEDS'])
    expect(rows).toEqual([{ opened_at: instant('2026-03-16T09:14:39.930Z') }])
  })

  test('hand-written SQL runs inside the transaction of Prisma, and is refused once that has ended', async () => {
    const { prisma, sql, sqlOf } = test1.database
    const late = await prisma.$transaction(async (transaction) => {
      await transaction.site.create({ data: site('OSAKA') })
      const inside = await sqlOf(transaction)
      expect(await inside.query("SELECT name FROM governance.site WHERE site = 'OSAKA'")).toHaveLength(1)
      expect(await sql.query("SELECT name FROM governance.site WHERE site = 'OSAKA'")).toHaveLength(0)
      return inside
    })
    await expect(late.query('SELECT 1')).rejects.toThrow('the transaction was committed')
  })

  test('nothing leaks out of a transaction that Prisma gave up on for its time', async () => {
    const { prisma, sql, sqlOf } = test1.database
    const insert =
      "INSERT INTO governance.site VALUES ('LATE', 'n', 'UTC', '2026-01-01Z', '2026-01-01Z', 'p-1') RETURNING site"
    let tried: Promise<unknown> | undefined
    const given = prisma.$transaction(
      async (transaction) => {
        const inside = await sqlOf(transaction)
        await inside.query(insert)
        await new Promise((resolve) => setTimeout(resolve, 150))
        tried = inside.query(insert.replace('LATE', 'LATER'))
        await tried
      },
      { timeout: 50 },
    )
    const refused = await given.catch((error: unknown) => error)
    expect(failureOf(refused)?.kind).toBe('overloaded')
    await expect(tried).rejects.toThrow('the transaction was rolled back')
    expect(await sql.query("SELECT site FROM governance.site WHERE site LIKE 'LATE%'")).toEqual([])
  })

  test('a client that is not of this database is refused', async () => {
    const other = await openTestDatabase()
    try {
      await other.database.prisma.$transaction(async (transaction) => {
        await expect(test1.database.sqlOf(transaction)).rejects.toThrow('not on this database')
      })
    } finally {
      await other.close()
    }
  })
})
