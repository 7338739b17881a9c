import { afterEach, beforeEach, describe, expect, test } from 'vitest'
import { type FixedClock, fixedClock, realClock } from '../../src/platform/clock.ts'
import { type Database, openDatabase } from '../../src/platform/database/pool.ts'
import { inTransaction } from '../../src/platform/database/transaction.ts'
import { readChangesSince, runAct, shareGate } from '../../src/platform/gate.ts'
import { silentLog } from '../../src/platform/log.ts'
import { instant } from '../support/clock.ts'
import { openTestDatabase } from '../support/database.ts'

const NOON = instant('2026-03-16T12:00:00.000Z')
let clock: FixedClock
let opened: Awaited<ReturnType<typeof openTestDatabase>>
let database: Database
beforeEach(async () => {
  clock = fixedClock(NOON)
  opened = await openTestDatabase(clock, { poolMax: 8 })
  database = opened.database
})
afterEach(() => opened.close())

function openSite(site: string): Promise<void> {
  return runAct(database, async (act) => {
    await act.openSite(site)
    act.touch('site', site, [site])
  })
}

function gate(): Promise<{ site_id: string; version: number; rules_version: number; recorded_at: number }[]> {
  return database.sql.query('SELECT * FROM intake.gate ORDER BY site_id COLLATE "C"')
}

const share = (site: string) => inTransaction(database, (sql) => shareGate(sql, clock, site))
const failed = (work: Promise<unknown>) =>
  work.then(
    () => undefined,
    (error: unknown) => error,
  )

describe('an act', () => {
  test('takes its instant from the database through the clock', async () => {
    expect(await runAct(database, async (act) => act.at)).toBe(NOON)
    const real = await openDatabase({ serviceUrl: opened.urls.serviceUrl, clock: realClock, log: silentLog })
    try {
      const before = Date.now()
      const at = await runAct(real, async (act) => act.at)
      expect(Math.abs(at - before)).toBeLessThan(5_000)
      expect(Number.isInteger(at)).toBe(true)
    } finally {
      await real.close()
    }
  })

  test('raises the version of the sites it touches, and says what it touched', async () => {
    await openSite('LEEDS')
    await openSite('OSAKA')
    clock.at += 1_000
    await runAct(database, async (act) => {
      act.touch('station', 'LEEDS-3', ['LEEDS'])
      act.touch('station', 'LEEDS-3', ['LEEDS'])
      act.touch('instrument', 'HIPOT-7', ['LEEDS'])
    })
    expect(await gate()).toEqual([
      { site_id: '*', version: 0, rules_version: 0, recorded_at: 0 },
      { site_id: 'LEEDS', version: 2, rules_version: 0, recorded_at: NOON + 1_000 },
      { site_id: 'OSAKA', version: 1, rules_version: 0, recorded_at: NOON },
    ])
    const changes = (site: string, version: number) => readChangesSince(database.sql, site, version)
    expect(await changes('LEEDS', 1)).toEqual([
      { kind: 'instrument', key: 'HIPOT-7' },
      { kind: 'station', key: 'LEEDS-3' },
    ])
    expect(await changes('LEEDS', 0)).toHaveLength(3)
    expect(await changes('LEEDS', 2)).toEqual([])
    expect(await changes('OSAKA', 1)).toEqual([])
  })

  test('raises all sites and the house for rules, once', async () => {
    await openSite('LEEDS')
    const raised = await runAct(database, async (act) => {
      act.touch('rules', 'electric-strength', 'all')
      act.touch('product', 'EX36', 'all')
      return [act.rulesVersion, act.raiseRules(), act.raiseRules()]
    })
    expect(raised).toEqual([0, 1, 1])
    expect(await gate()).toMatchObject([
      { site_id: '*', version: 1, rules_version: 1 },
      { site_id: 'LEEDS', version: 2, rules_version: 1 },
    ])
    // A site opened later starts from the house's row.
    await openSite('OSAKA')
    expect((await gate())[2]).toMatchObject({ site_id: 'OSAKA', version: 2, rules_version: 1 })
    expect(await share('OSAKA')).toMatchObject({ version: 2, rulesVersion: 1, at: NOON })
  })

  test('that fails leaves nothing, and one that touches nothing raises nothing', async () => {
    await openSite('LEEDS')
    const before = await gate()
    const refused = runAct(database, async (act) => {
      act.touch('site', 'LEEDS', ['LEEDS'])
      await act.sql.query("INSERT INTO intake.units VALUES ('LEEDS', 'EX36', '1', 1)")
      throw new Error('no')
    })
    await expect(refused).rejects.toThrow('no')
    await runAct(database, async () => undefined)
    expect(await gate()).toEqual(before)
    expect(await database.sql.query('SELECT 1 FROM intake.units')).toEqual([])
  })

  test('that names a site without a row is a bug, and is not made', async () => {
    await expect(runAct(database, async (act) => act.touch('site', 'NOWHERE', ['NOWHERE']))).rejects.toThrow('NOWHERE')
  })

  test('opens a site once', async () => {
    await openSite('LEEDS')
    expect(await runAct(database, (act) => act.openSite('LEEDS'))).toBe(false)
  })

  test('writes by Prisma and by SQL in the same transaction', async () => {
    await runAct(database, async (act) => {
      const instants = { openedAt: new Date(act.at), recordedAt: new Date(act.at) }
      await act.prisma.site.create({
        data: {
          site: 'LEEDS',
          name: 'Aldermoor Works Leeds',
          timeZone: 'Europe/London',
          recordedBy: 'p-1',
          ...instants,
        },
      })
      expect(await act.sql.query('SELECT opened_at FROM governance.site')).toEqual([{ opened_at: NOON }])
    })
  })

  test('takes effect a millisecond after itself, or when asked, never before', async () => {
    await runAct(database, async (act) => {
      expect(act.effectiveAt('at-once', '/effectiveFrom')).toBe(NOON + 1)
      expect(act.effectiveAt(NOON + 1, '/effectiveFrom')).toBe(NOON + 1)
      expect(act.datedAt(NOON, '/at')).toBe(NOON)
    })
    const passed = await failed(runAct(database, async (act) => act.effectiveAt(NOON, '/effectiveFrom')))
    expect(passed).toMatchObject({ key: 'effective-instant-passed', errors: [{ pointer: '/effectiveFrom' }] })
    const future = await failed(runAct(database, async (act) => act.datedAt(NOON + 1, '/at')))
    expect(future).toMatchObject({ key: 'instant-in-future', errors: [{ pointer: '/at' }] })
  })

  test('a clock set back cannot reopen the past', async () => {
    await openSite('LEEDS')
    clock.at = NOON - 3_600_000
    expect(await runAct(database, async (act) => [act.at, act.effectiveAt('at-once', '/x')])).toEqual([NOON, NOON + 1])
  })

  test('that takes over two seconds with the gate in hand is undone', async () => {
    await openSite('LEEDS')
    const refused = await failed(
      runAct(database, async (act) => {
        act.touch('site', 'LEEDS', ['LEEDS'])
        await new Promise((resolve) => setTimeout(resolve, 2_300))
        await act.sql.query("INSERT INTO intake.units VALUES ('LEEDS', 'EX36', 'late', 1)")
      }),
    )
    expect(refused).toMatchObject({ key: 'overloaded' })
    await new Promise((resolve) => setTimeout(resolve, 500))
    expect(await database.sql.query('SELECT 1 FROM intake.units')).toEqual([])
    expect((await share('LEEDS'))?.version).toBe(1)
  })
})

describe('acts and uploads', () => {
  test('an unknown site has no share', async () => {
    expect(await share('NOWHERE')).toBeUndefined()
  })

  test('an act waits for the upload in flight and holds the next one back', async () => {
    await openSite('LEEDS')
    const order: string[] = []
    let finish: () => void = () => undefined
    const finished = new Promise<void>((resolve) => {
      finish = resolve
    })
    const isWaiting = (statement: string) => async () =>
      (
        await database.sql.query(
          "SELECT 1 FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock' AND query LIKE $1",
          [statement],
        )
      ).length === 1
    let sharing: () => void = () => undefined
    const shared = new Promise<void>((resolve) => {
      sharing = resolve
    })
    const first = inTransaction(database, async (sql) => {
      await shareGate(sql, clock, 'LEEDS')
      sharing()
      await finished
      order.push('first upload')
    })
    await shared
    const act = runAct(database, async (made) => {
      order.push('act')
      made.touch('rules', 'electric-strength', 'all')
    })
    await expect.poll(isWaiting('LOCK TABLE%')).toBe(true)
    const second = inTransaction(database, async (sql) => {
      const seen = await shareGate(sql, clock, 'LEEDS')
      order.push('second upload')
      return seen?.version
    })
    await expect.poll(isWaiting('%FOR SHARE')).toBe(true)
    expect(order).toEqual([])
    finish()
    await Promise.all([first, act])
    // The second waited at the lock, and saw the version the act had made.
    expect(await second).toBe(2)
    expect(order).toEqual(['first upload', 'act', 'second upload'])
  })

  test('no upload commits on facts that an act before its commit has changed', async () => {
    await openSite('LEEDS')
    // The act's effect is a row with its instant; an upload that committed without having seen it must have been
    // before it. `units.version` stands for what an upload writes: the gate's version it saw.
    // It goes on until the race has happened often enough, on a busy machine as well.
    const began = Date.now()
    let [acts, uploads, retold] = [0, 0, 0]
    const isOver = () =>
      Date.now() > began + 20_000 || (Date.now() > began + 1_000 && acts > 20 && uploads > 100 && retold > 20)
    const publish = async () => {
      while (!isOver()) {
        await runAct(database, async (act) => act.touch('rules', `table-${acts}`, 'all'))
        acts += 1
        await new Promise((resolve) => setTimeout(resolve, 5))
      }
    }
    const upload = async (station: number) => {
      let cached = 1
      while (!isOver()) {
        await inTransaction(database, async (sql) => {
          const seen = await shareGate(sql, clock, 'LEEDS')
          if (!seen) throw new Error('no gate')
          if (seen.version !== cached) {
            retold += 1
            const changes = await readChangesSince(sql, 'LEEDS', cached)
            expect(changes.length).toBe(seen.version - cached)
            cached = seen.version
          }
          await sql.query('INSERT INTO intake.units VALUES ($1, $2, $3, $4)', [
            'LEEDS',
            'EX36',
            `${station}-${uploads++}`,
            cached,
          ])
          // Still so at the commit: nothing may have moved while the share was held.
          const [now] = await sql.query<{ version: number }>("SELECT version FROM intake.gate WHERE site_id = 'LEEDS'")
          expect(now?.version).toBe(cached)
        })
      }
    }
    await Promise.all([publish(), ...[1, 2, 3, 4, 5].map(upload)])
    // The race happened: many acts, many uploads, and uploads whose cached facts had moved.
    expect(acts).toBeGreaterThan(20)
    expect(uploads).toBeGreaterThan(100)
    expect(retold).toBeGreaterThan(20)
    expect((await share('LEEDS'))?.version).toBe(acts + 1)
  })

  test('parallel acts are made one after the other, at rising instants', async () => {
    await openSite('LEEDS')
    const versions = await Promise.all(
      Array.from({ length: 12 }, (_, index) =>
        runAct(database, async (act) => {
          act.touch('product', `product-${index}`, 'all')
          return act.raiseRules()
        }),
      ),
    )
    expect(versions.sort((a, b) => a - b)).toEqual(Array.from({ length: 12 }, (_, index) => index + 1))
  })
})
