import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { fixedClock } from '../../../src/platform/clock.ts'
import { ensureComingMonths, ensureMonths } from '../../../src/platform/database/partitions.ts'
import { type Database, openDatabase } from '../../../src/platform/database/pool.ts'
import { failureOf } from '../../../src/platform/database/transaction.ts'
import { silentLog } from '../../../src/platform/log.ts'
import { instant } from '../../support/clock.ts'
import { createTestDatabase, type TestDatabase } from '../../support/database.ts'

let urls: TestDatabase
let database: Database
const open = () =>
  openDatabase({
    serviceUrl: urls.serviceUrl,
    clock: fixedClock(instant('2026-11-30T23:59:59.999Z')),
    log: silentLog,
    poolMax: 2,
  })
beforeAll(async () => {
  urls = await createTestDatabase()
  database = await open()
})
afterAll(async () => {
  await database.close()
  await urls.drop()
})

async function months(table: string): Promise<string[]> {
  const rows = await database.sql.query<{ name: string; bound: string }>(
    `SELECT c.relname AS name, pg_get_expr(c.relpartbound, c.oid) AS bound
     FROM pg_inherits JOIN pg_class c ON c.oid = inhrelid WHERE inhparent = $1::regclass ORDER BY 1`,
    [`intake.${table}`],
  )
  return rows.map(({ name, bound }) => `${name}: ${bound}`)
}

const insertEntry = (at: string) =>
  database.sql.query('INSERT INTO intake.ledger_entries VALUES ($1, $2, $3, $4, $5)', [
    '*',
    at,
    '017f22e2-79b0-7cc3-98c4-dc0c0c07398f',
    '{}',
    'sha256:0',
  ])

describe('partitions', () => {
  test('this month and the next three, over the turn of the year, with bounds in UTC', async () => {
    await ensureComingMonths(database)
    expect(await months('runs')).toEqual([
      "runs_y2026m11: FOR VALUES FROM ('2026-11-01 00:00:00+00') TO ('2026-12-01 00:00:00+00')",
      "runs_y2026m12: FOR VALUES FROM ('2026-12-01 00:00:00+00') TO ('2027-01-01 00:00:00+00')",
      "runs_y2027m01: FOR VALUES FROM ('2027-01-01 00:00:00+00') TO ('2027-02-01 00:00:00+00')",
      "runs_y2027m02: FOR VALUES FROM ('2027-02-01 00:00:00+00') TO ('2027-03-01 00:00:00+00')",
    ])
    expect([(await months('uploads')).length, (await months('readings')).length]).toEqual([4, 4])
  })

  test('a month years ago is made when asked, for the tables asked, and takes its rows', async () => {
    await expect(insertEntry('2019-06-30T23:59:59.999Z')).rejects.toThrow('no partition')
    await ensureMonths(
      database,
      [instant('2019-06-30T23:59:59.999Z'), instant('2019-06-01T00:00:00.000Z')],
      ['ledger_entries'],
    )
    await insertEntry('2019-06-30T23:59:59.999Z')
    expect((await months('ledger_entries'))[0]).toContain('ledger_entries_y2019m06')
    expect(await months('runs')).toHaveLength(4)
  })

  test('processes that need the same months at once each get them', async () => {
    const processes = await Promise.all(Array.from({ length: 6 }, open))
    try {
      const instants = ['2020-01-01T00:00:00.000Z', '2020-02-29T12:00:00.000Z'].map(instant)
      await Promise.all(processes.map((process) => ensureMonths(process, instants)))
      expect(await months('readings')).toHaveLength(6)
    } finally {
      await Promise.all(processes.map((process) => process.close()))
    }
  })

  test('partitions are made beside a transaction that is inserting', async () => {
    const client = await database.pool.connect()
    try {
      await client.query('BEGIN')
      await client.query("INSERT INTO intake.ledger_entries VALUES ('LEEDS', '2026-11-02Z', $1, '{}', 'x')", [
        '017f22e2-79b0-7cc3-98c4-dc0c0c07398e',
      ])
      await ensureMonths(database, [instant('2018-01-01T00:00:00.000Z')], ['ledger_entries'])
      await client.query('COMMIT')
    } finally {
      client.release()
    }
  })

  test('a partition belongs to the owner: the service may neither change nor drop what stands in it', async () => {
    for (const text of [
      'DELETE FROM intake.ledger_entries_y2019m06',
      'TRUNCATE intake.ledger_entries_y2019m06',
      'DROP TABLE intake.ledger_entries_y2019m06',
      'SELECT * FROM intake.ledger_entries_y2019m06',
      'UPDATE intake.ledger_entries SET content = content',
    ]) {
      expect(failureOf(await database.sql.query(text).catch((error: unknown) => error))?.sqlState, text).toBe('42501')
    }
  })

  test.each([
    ['gate', '2026-01-01'],
    ['units; DROP TABLE intake.units', '2026-01-01'],
    ['runs', '2026-01-02'],
    ['runs', '1969-12-01'],
    ['runs', '2200-01-01'],
    ['runs', null],
    [null, '2026-01-01'],
  ])('the function refuses %j for %j', async (table, month) => {
    const refused = await database.sql
      .query('SELECT intake.make_partition($1, $2)', [table, month])
      .catch((error: unknown) => error)
    expect(failureOf(refused)?.sqlState).toBe('22023')
  })
})
