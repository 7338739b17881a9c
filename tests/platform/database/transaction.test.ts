import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { type Database, type Sql, timestamptzText } from '../../../src/platform/database/pool.ts'
import { failureOf, inTransaction, isDangling, isTaken } from '../../../src/platform/database/transaction.ts'
import { Problem } from '../../../src/platform/problems.ts'
import { openTestDatabase } from '../../support/database.ts'

let opened: Awaited<ReturnType<typeof openTestDatabase>>
let database: Database
beforeAll(async () => {
  opened = await openTestDatabase()
  database = opened.database
})
afterAll(() => opened.close())

const AT = timestamptzText(0)

function addUnit(sql: Sql, serial: string): Promise<unknown> {
  return sql.query("INSERT INTO intake.units VALUES ('LEEDS', 'EX36', $1, 1)", [serial])
}

function lockUnit(sql: Sql, serial: string): Promise<unknown> {
  return sql.query("UPDATE intake.units SET version = version + 1 WHERE product = 'EX36' AND serial = $1", [serial])
}

async function serials(pattern: string): Promise<number> {
  return (await database.sql.query('SELECT 1 FROM intake.units WHERE serial LIKE $1', [pattern])).length
}

/** What `work` was refused with; undefined where it was not. */
function failed(work: Promise<unknown>): Promise<unknown> {
  return work.then(
    () => undefined,
    (error: unknown) => error,
  )
}

/** A gate for two: each waits until both have come. */
function meeting(): () => Promise<void> {
  let come = 0
  let open: () => void = () => undefined
  const both = new Promise<void>((resolve) => {
    open = resolve
  })
  return () => {
    come += 1
    if (come === 2) open()
    return both
  }
}

describe('one transaction', () => {
  test('commits all, or nothing', async () => {
    await inTransaction(database, async (sql) => {
      await addUnit(sql, 'kept-1')
      await addUnit(sql, 'kept-2')
    })
    const failed = inTransaction(database, async (sql) => {
      await addUnit(sql, 'gone-1')
      throw new Error('no')
    })
    await expect(failed).rejects.toThrow('no')
    expect([await serials('kept-%'), await serials('gone-%')]).toEqual([2, 0])
  })

  test('work that goes on after a failed statement is told, not acknowledged', async () => {
    const swallowed = inTransaction(database, async (sql) => {
      await addUnit(sql, 'swallowed')
      await addUnit(sql, 'swallowed').catch(() => undefined)
    })
    await expect(swallowed).rejects.toThrow('nothing was committed')
    expect(await serials('swallowed')).toBe(0)
  })

  test('two that lock each other both end well: the loser is run again', async () => {
    await addUnit(database.sql, 'a')
    await addUnit(database.sql, 'b')
    const met = meeting()
    let runs = 0
    const crosswise = (first: string, second: string) =>
      inTransaction(database, async (sql) => {
        runs += 1
        await lockUnit(sql, first)
        if (runs <= 2) await met()
        await lockUnit(sql, second)
      })
    await Promise.all([crosswise('a', 'b'), crosswise('b', 'a')])
    // The race happened: one of the two was chosen as the victim and tried again.
    expect(runs).toBeGreaterThan(2)
    const rows = await database.sql.query("SELECT version FROM intake.units WHERE serial IN ('a', 'b')")
    expect(rows).toEqual([{ version: 3 }, { version: 3 }])
  })

  test('what stays in the way after three retries is overloaded, with when to come again', async () => {
    let runs = 0
    const always = inTransaction(database, async (sql) => {
      runs += 1
      await sql.query("DO $$ BEGIN RAISE EXCEPTION 'no' USING ERRCODE = '40001'; END $$")
    })
    const refused = await always.catch((error: unknown) => error)
    expect(runs).toBe(4)
    expect(refused).toBeInstanceOf(Problem)
    expect(refused).toMatchObject({ key: 'overloaded', headers: { 'retry-after': '1' } })
    expect(failureOf(refused)).toMatchObject({ kind: 'conflict', sqlState: '40001' })
  })

  test('a connection killed under the work is overloaded, and the pool goes on', async () => {
    const killed = inTransaction(database, async (sql) => {
      await addUnit(sql, 'killed')
      await sql.query('SELECT pg_terminate_backend(pg_backend_pid())')
    })
    const refused = await killed.catch((error: unknown) => error)
    expect(refused).toMatchObject({ key: 'overloaded' })
    expect(failureOf(refused)).toMatchObject({ kind: 'lost', sqlState: '57P01' })
    expect(await serials('killed')).toBe(0)
  })

  test('a full pool is overloaded after five seconds', async () => {
    const small = await openTestDatabase(undefined, { poolMax: 1 })
    const held = await small.database.pool.connect()
    try {
      const [refused, byPrisma] = await Promise.all([
        failed(inTransaction(small.database, async () => 1)),
        failed(small.database.prisma.site.count()),
      ])
      expect(refused).toMatchObject({ key: 'overloaded' })
      expect(failureOf(refused)?.kind).toBe('overloaded')
      expect(failureOf(byPrisma)?.kind).toBe('overloaded')
    } finally {
      held.release()
      await small.close()
    }
  })
})

describe('what a failure was', () => {
  const site = (key: string) => ({
    site: key,
    name: 'n',
    timeZone: 'UTC',
    openedAt: new Date(0),
    recordedAt: new Date(0),
    recordedBy: 'p-1',
  })
  const station = (key: string, at: string) => ({
    station: key,
    site: at,
    name: 'n',
    linked: 'automatic',
    recordedAt: new Date(0),
    recordedBy: 'p-1',
  })
  test('a key taken is known by its constraint, by SQL and by Prisma', async () => {
    await database.prisma.site.create({ data: site('TAKEN') })
    const bySql = await failed(
      database.sql.query("INSERT INTO governance.site VALUES ('TAKEN', 'n', 'UTC', $1, $1, 'p-1')", [AT]),
    )
    const byPrisma = await failed(database.prisma.site.create({ data: site('TAKEN') }))
    for (const error of [bySql, byPrisma]) {
      expect(failureOf(error)).toEqual({ kind: 'data', sqlState: '23505', constraint: 'site_pkey' })
      expect([isTaken(error), isTaken(error, 'site_pkey'), isTaken(error, 'another')]).toEqual([true, true, false])
      expect(isDangling(error)).toBe(false)
    }
  })

  test('a reference to nothing is known by its constraint, by SQL and by Prisma', async () => {
    const bySql = await failed(
      database.sql.query("INSERT INTO governance.station VALUES ('s', 'NOWHERE', 'n', 'automatic', $1, 'p-1')", [AT]),
    )
    const byPrisma = await failed(database.prisma.station.create({ data: station('s', 'NOWHERE') }))
    for (const error of [bySql, byPrisma]) {
      expect(failureOf(error)).toEqual({ kind: 'data', sqlState: '23503', constraint: 'station_site_fkey' })
      expect([isDangling(error, 'station_site_fkey'), isTaken(error)]).toEqual([true, false])
    }
  })

  test('a check that refuses is known by its constraint, by SQL and by Prisma', async () => {
    await database.prisma.site.create({ data: site('CHECKED') })
    const bySql = await failed(
      database.sql.query("INSERT INTO governance.station VALUES ('s', 'CHECKED', 'n', 'wrong', $1, 'p-1')", [AT]),
    )
    const byPrisma = await failed(
      database.prisma.station.create({ data: { ...station('s', 'CHECKED'), linked: 'wrong' } }),
    )
    for (const error of [bySql, byPrisma]) {
      expect(failureOf(error)).toEqual({ kind: 'data', sqlState: '23514', constraint: 'station_linked' })
    }
  })

  test('a statement that takes too long is overloaded', async () => {
    const slow = inTransaction(database, async (sql) => {
      await sql.query('SET LOCAL statement_timeout = 20')
      await sql.query('SELECT pg_sleep(5)')
    })
    const refused = await failed(slow)
    expect(refused).toMatchObject({ key: 'overloaded' })
    expect(failureOf(refused)?.sqlState).toBe('57014')
  })

  test('a bug stays what it is', async () => {
    const wrong = await failed(inTransaction(database, (sql) => sql.query('SELECT nothing FROM intake.gate')))
    expect(wrong).not.toBeInstanceOf(Problem)
    expect(failureOf(wrong)).toMatchObject({ kind: 'other', sqlState: '42703' })
    expect(failureOf(new Error('ours'))).toBeUndefined()
    expect(failureOf(undefined)).toBeUndefined()
  })
})
