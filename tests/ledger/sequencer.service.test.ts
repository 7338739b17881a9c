import { randomUUID } from 'node:crypto'
import pg from 'pg'
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test, vi } from 'vitest'
import { recordEntry } from '../../src/ledger/acts.ts'
import { PAGE_MAX, sequencePage } from '../../src/ledger/acts-sequence.ts'
import { ledgerRow } from '../../src/ledger/entry.ts'
import { sequencerStep, startSequencer } from '../../src/ledger/job.ts'
import { readEvents, readOrderEnd } from '../../src/ledger/reads.ts'
import { feedEnd } from '../../src/ledger/reads-end.ts'
import { START } from '../../src/ledger/words.ts'
import type { FixedClock } from '../../src/platform/clock.ts'
import { type Database, openDatabase, timestamptzText } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { clockAt, instant } from '../support/clock.ts'
import { openTestDatabase, type TestDatabase } from '../support/database.ts'

const MORNING = instant('2026-03-16T09:00:00.000Z')

let clock: FixedClock
let database: Database
let urls: TestDatabase
let owner: pg.Client
let close: () => Promise<void>
let others: (() => Promise<void>)[]

beforeAll(async () => {
  clock = clockAt('2026-03-16T09:00:00.000Z')
  ;({ database, urls, close } = await openTestDatabase(clock))
  owner = new pg.Client({ connectionString: urls.ownerUrl })
  await owner.connect()
})
beforeEach(async () => {
  clock.at = MORNING
  others = []
  await owner.query('TRUNCATE governance.sequenced_entry, intake.ledger_entries, intake.ledger_pending')
})
afterEach(async () => {
  for (const end of others) await end()
})
afterAll(async () => {
  await owner.end()
  await close()
})

/** The same database as another process has it. */
async function anotherProcess(): Promise<Database> {
  const other = await openDatabase({ serviceUrl: urls.serviceUrl, clock, log: silentLog, poolMax: 2 })
  others.push(() => other.close())
  return other
}

async function connected(url = urls.serviceUrl): Promise<pg.Client> {
  const client = new pg.Client({ connectionString: url })
  client.on('error', () => undefined)
  await client.connect()
  others.push(() => client.end())
  return client
}

/** Appends one entry on a connection, in whatever transaction is open there. Gives its id. */
async function append(client: pg.Client, at: number, subject = 'keys/x'): Promise<string> {
  let entryId = ''
  const ids = { mint: (instantOf: number) => (entryId = database.ids.mint(instantOf)) }
  const sql = {
    query: async <Row extends object>(text: string, values: readonly unknown[] = []) =>
      (await client.query(text, [...values])).rows as Row[],
  }
  await recordEntry({ sql, ids, at, key: null }, { action: 'revokeKey', by: 'P-1', subject, facts: {} })
  return entryId
}

/** So many entries at once, a millisecond apart, all committed. */
async function appendMany(count: number): Promise<void> {
  const rows = Array.from({ length: count }, (_, number) => {
    const [entryId, recordedAt] = [randomUUID(), MORNING + number]
    const entry = { entryId, recordedAt, action: 'revokeKey', by: 'P-1', key: null, subject: 'keys/x', facts: {} }
    return { entryId, recordedAt, ...ledgerRow(entry) }
  })
  await database.sql.query(
    `WITH given AS (SELECT * FROM unnest($1::timestamptz[], $2::uuid[], $3::text[], $4::text[]) AS given (at, id, content, leaf)),
     entry AS (INSERT INTO intake.ledger_entries (site_id, recorded_at, entry_id, content, leaf_hash)
       SELECT '*', at, id, content, leaf FROM given)
     INSERT INTO intake.ledger_pending (site_id, entry_id, recorded_at) SELECT '*', id, at FROM given`,
    [
      rows.map(({ recordedAt }) => timestamptzText(recordedAt)),
      rows.map(({ entryId }) => entryId),
      rows.map(({ content }) => content),
      rows.map(({ leafHash }) => leafHash),
    ],
  )
}

interface Place {
  readonly index: number
  readonly entryId: string
  readonly knownAt: number
  readonly recordedAt: number
}

function order(): Promise<Place[]> {
  return database.sql.query<Place>(
    `SELECT index, entry_id AS "entryId", known_at AS "knownAt", recorded_at AS "recordedAt"
     FROM governance.sequenced_entry ORDER BY index`,
  )
}

/** Dense from 0, each entry that was committed once, `known_at` never falling and never before the record. */
async function expectSound(): Promise<Place[]> {
  const places = await order()
  expect(places.map(({ index }) => index)).toEqual(places.map((_, number) => number))
  const committed = await database.sql.query<{ entryId: string }>(
    'SELECT entry_id AS "entryId" FROM intake.ledger_entries',
  )
  expect(places.map(({ entryId }) => entryId).sort()).toEqual(committed.map(({ entryId }) => entryId).sort())
  expect(await database.sql.query('SELECT FROM intake.ledger_pending')).toEqual([])
  let known = Number.NEGATIVE_INFINITY
  for (const { knownAt, recordedAt } of places) {
    expect(knownAt).toBeGreaterThanOrEqual(Math.max(known, recordedAt))
    known = knownAt
  }
  return places
}

const everything = { limit: 1_000, kinds: undefined, site: undefined }

describe('the order', () => {
  test('is by instant and id among what is committed, and later commits come after it', async () => {
    const [early, late] = [await connected(), await connected()]
    await early.query('BEGIN')
    const first = await append(early, MORNING)
    const second = await append(late, MORNING + 100)
    expect(await sequencePage(database)).toBe(1)
    const seen = await readEvents(database, { after: START, ...everything })
    expect(seen.items.map(({ place }) => place)).toEqual([{ index: 0, position: 1 }])

    // Its id and its instant are smaller than those that were read: a cursor over either would pass over it.
    expect(first < second).toBe(true)
    await early.query('COMMIT')
    expect(await sequencePage(database)).toBe(1)
    const next = await readEvents(database, { after: seen.next, ...everything })
    expect(next.items).toMatchObject([{ place: { index: 1, position: 1 }, recordedAt: MORNING }])
    expect((await expectSound()).map(({ entryId }) => entryId)).toEqual([second, first])
  })

  test('within one page follows the instants, then the ids', async () => {
    const client = await connected()
    const third = await append(client, MORNING + 2)
    const first = await append(client, MORNING)
    const second = await append(client, MORNING + 1)
    await sequencePage(database)
    expect((await expectSound()).map(({ entryId }) => entryId)).toEqual([first, second, third])
  })

  test('holds nothing that was rolled back', async () => {
    const client = await connected()
    await client.query('BEGIN')
    await append(client, MORNING)
    await client.query('ROLLBACK')
    expect(await sequencePage(database)).toBe(0)
    expect(await order()).toEqual([])
  })

  test('has a known_at that never falls, though the clock does', async () => {
    const client = await connected()
    clock.at = MORNING + 10_000
    await append(client, MORNING)
    await sequencePage(database)
    clock.at = MORNING - 3_600_000
    await append(client, MORNING - 3_600_000)
    await sequencePage(database)
    await append(client, MORNING + 20_000)
    await sequencePage(database)
    const known = (await expectSound()).map(({ knownAt }) => knownAt - MORNING)
    expect(known).toEqual([10_000, 10_000, 20_000])
  })

  test('takes a backlog a page at a time, with one known_at for each page', async () => {
    await appendMany(2 * PAGE_MAX + 5)
    clock.at = MORNING + 60_000
    const end = feedEnd()
    expect(await sequencerStep(database, end)).toBe('more')
    clock.at += 1
    expect(await sequencerStep(database, end)).toBe('more')
    clock.at += 1
    expect(await sequencerStep(database, end)).toBe('settled')
    const known = (await expectSound()).map(({ knownAt }) => knownAt - MORNING - 60_000)
    const page = (value: number, count: number) => Array<number>(count).fill(value)
    expect(known).toEqual([...page(0, PAGE_MAX), ...page(1, PAGE_MAX), ...page(2, 5)])
  })

  test('is what the database itself holds to: no second place for an entry, no second entry at a place', async () => {
    await appendMany(1)
    await sequencePage(database)
    const [place] = await order()
    const insert = (index: number, entryId: string | undefined) =>
      database.sql.query(
        `INSERT INTO governance.sequenced_entry (index, site, recorded_at, entry_id, known_at, action)
         VALUES ($1, '*', '2026-03-16Z', $2, '2026-03-16Z', 'revokeKey')`,
        [index, entryId],
      )
    await expect(insert(0, randomUUID())).rejects.toMatchObject({ constraint: 'sequenced_entry_pkey' })
    await expect(insert(1, place?.entryId)).rejects.toMatchObject({ constraint: 'sequenced_entry_once' })
  })

  test('stops rather than lose an entry whose text is gone', async () => {
    await database.sql.query(
      `INSERT INTO intake.ledger_pending (site_id, entry_id, recorded_at) VALUES ('*', $1, '2026-03-16T09:00:00Z')`,
      [randomUUID()],
    )
    await expect(sequencePage(database)).rejects.toMatchObject({ code: '23502', column: 'action' })
    expect(await database.sql.query('SELECT FROM intake.ledger_pending')).toHaveLength(1)
  })

  test('says so where the row to lock is gone', async () => {
    await owner.query('DELETE FROM governance.sequencer')
    await expect(readOrderEnd(database.sql)).rejects.toThrow('governance.sequencer')
    await owner.query(`INSERT INTO governance.sequencer VALUES ('ledger')`)
  })
})

describe('several sequencers', () => {
  test('do not wait for one another, and only one gives places', async () => {
    await appendMany(3)
    const holder = await connected()
    await holder.query('BEGIN')
    await holder.query('SELECT FROM governance.sequencer FOR UPDATE')
    expect(await sequencePage(database)).toBe('held')
    expect(await order()).toEqual([])
    await holder.query('COMMIT')
    expect(await sequencePage(database)).toBe(3)
    await expectSound()
  })

  test('one killed before its commit has done nothing, and the next takes over', async () => {
    await appendMany(5)
    const admin = await connected(urls.adminUrl)
    // Its rows are written and its commit is yet to come when the connection is cut: the blocker lets it no further.
    const blocker = await connected(urls.ownerUrl)
    await blocker.query('BEGIN')
    await blocker.query('LOCK TABLE governance.sequenced_entry IN EXCLUSIVE MODE')
    const killed = await anotherProcess()
    const work = expect(sequencePage(killed)).rejects.toThrow()
    const pid = await vi.waitFor(async () => {
      const { rows } = await admin.query(
        `SELECT pid FROM pg_stat_activity WHERE datname = $1 AND wait_event_type = 'Lock' AND query LIKE '%ledger_pending pending%'
           AND pid <> pg_backend_pid()`,
        [urls.name],
      )
      if (rows.length !== 1) throw new Error('the sequencer is not waiting yet')
      return rows[0].pid as number
    })
    expect(await sequencePage(database)).toBe('held')
    await admin.query('SELECT pg_terminate_backend($1)', [pid])
    await work
    await blocker.query('COMMIT')
    expect(await order()).toEqual([])
    expect(
      await vi.waitFor(async () => {
        const taken = await sequencePage(database)
        if (taken === 'held') throw new Error('the dead session still holds the row')
        return taken
      }),
    ).toBe(5)
    await expectSound()
  })

  test('three at once, ten writers committing out of order, connections killed: dense, once each, and a reader misses none', async () => {
    const sequencers = [await anotherProcess(), await anotherProcess(), await anotherProcess()]
    const admin = await connected(urls.adminUrl)
    let isWriting = true
    const written: string[] = []
    let kills = 0
    let helds = 0
    const write = async (writer: number) => {
      const client = await connected()
      // On until the race has happened.
      for (let number = 0; number < 25 || kills === 0 || helds === 0; number += 1) {
        await client.query('BEGIN')
        // Recorded before others, committed after them.
        const subject = `keys/${writer}-${number}`
        await append(client, MORNING - Math.floor(Math.random() * 1_000), subject)
        await client.query('SELECT pg_sleep($1)', [Math.random() / 200])
        if (number % 7 === 0) {
          await client.query('ROLLBACK')
        } else {
          await client.query('COMMIT')
          written.push(subject)
        }
      }
    }
    const sequence = async (own: Database) => {
      while (isWriting) {
        try {
          if ((await sequencePage(own)) === 'held') helds += 1
        } catch (error) {
          // Killed: the next try begins on a new connection.
          expect(error).toMatchObject({ key: 'overloaded' })
        }
      }
    }
    const kill = async () => {
      while (isWriting) {
        const { rowCount } = await admin.query(
          `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1 AND application_name = 'limitkeep'
             AND state <> 'idle' AND query LIKE '%ledger_pending pending%' LIMIT 1`,
          [urls.name],
        )
        kills += rowCount ?? 0
        await admin.query('SELECT pg_sleep(0.01)')
      }
    }
    const read: string[] = []
    let after = START
    const readOn = async () => {
      const page = await readEvents(database, { after, limit: 7, kinds: undefined, site: undefined })
      read.push(...page.items.map(({ subject }) => subject))
      after = page.next
      return page.atEnd
    }
    const follow = async () => {
      while (isWriting) await readOn()
    }
    const rest = [...sequencers.map(sequence), kill(), follow()]
    await Promise.all(Array.from({ length: 10 }, (_, writer) => write(writer)))
    isWriting = false
    await Promise.all(rest)
    while ((await sequencePage(database)) !== 0);
    while (!(await readOn()));

    const places = await expectSound()
    expect(read.sort()).toEqual(written.sort())
    expect(places).toHaveLength(written.length)
    // Else the race was too tame to show anything.
    const inversions = places.filter(({ recordedAt }, number) => recordedAt < (places[number - 1]?.recordedAt ?? 0))
    expect(inversions.length).toBeGreaterThan(0)
  })
})

test('the job places what is committed without a word, within a second, and stops', async () => {
  const end = feedEnd()
  const sequencer = startSequencer(database, end, silentLog)
  try {
    const startedAt = performance.now()
    await append(await connected(), MORNING)
    await end.beyond(0, { milliseconds: 10_000, signal: new AbortController().signal })
    expect(await order()).toHaveLength(1)
    expect(performance.now() - startedAt).toBeLessThan(1_000)
  } finally {
    await sequencer.stop()
  }
  await append(await connected(), MORNING)
  sequencer.nudge()
  expect(await order()).toHaveLength(1)
})
