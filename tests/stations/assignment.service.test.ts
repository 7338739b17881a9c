import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import type { FixedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { runAct } from '../../src/platform/gate.ts'
import { assignInstrument } from '../../src/stations/acts.ts'
import { endProgramming, recordProgramming } from '../../src/stations/acts-programming.ts'
import { getAssignment } from '../../src/stations/reads-assignment.ts'
import { getSetupSheet } from '../../src/stations/reads-setup-sheet.ts'
import { SetupSheetWire } from '../../src/stations/setup-sheet-words.ts'
import { AssignmentWire } from '../../src/stations/words.ts'
import { ex36 } from '../support/aldermoor.ts'
import { clockAt } from '../support/clock.ts'
import { openTestDatabase } from '../support/database.ts'
import { on16 } from './facts.ts'
import { administrator, keyer, reader, seedProduct, seedRevision, seedStations } from './seed.ts'

const OPENED = '2026-03-16T04:00:00.000Z'
const asked = { product: 'EX36', variant: 'EX36-3M', operation: 'final' }

let database: Database
let close: () => Promise<void>
let clock: FixedClock
let seventh: string
let eighth: string

beforeAll(async () => {
  clock = clockAt('2026-03-16T06:00:00.000Z')
  const opened = await openTestDatabase(clock)
  database = opened.database
  close = opened.close
  await seedStations(database, OPENED)
  await seedProduct(database, on16('04:00'))
  const until = on16('12:00')
  seventh = await seedRevision(database, { revision: 7, approvedAt: on16('04:30'), from: on16('05:00'), until })
  eighth = await seedRevision(database, {
    revision: 8,
    approvedAt: on16('04:45'),
    from: on16('12:00'),
    blockedFrom: on16('14:00'),
    editions: ['extractor-strength/3'],
  })
})

afterAll(() => close())

async function assignment(station = 'LDS-F2', query: Partial<typeof asked> = {}) {
  const answer = await getAssignment(database, station, { ...asked, ...query })
  return AssignmentWire.parse(answer.assignment)
}

async function tag(): Promise<string> {
  return (await getAssignment(database, 'LDS-F2', asked)).digest
}

const codes = async (station?: string, query?: Partial<typeof asked>) =>
  (await assignment(station, query)).reasons.map(({ code }) => code)

function program(programming: string, at: string, revision: number, revisionDigest: string, programs: string[]) {
  const people = { keyedBy: keyer.person, readBackBy: reader.person }
  const place = { station: 'LDS-F2', instrument: 'INS-0031', plan: 'ex36-final' }
  return recordProgramming(database, reader, {
    programming,
    ...place,
    ...people,
    at,
    revision,
    revisionDigest,
    programs,
  })
}

test('before the sheet is keyed in, the station may not test', async () => {
  expect(await assignment()).toMatchObject({
    mayTest: false,
    reasons: [{ code: 'programming-missing' }],
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: seventh,
    programming: null,
    trustUntil: null,
  })
})

test('once it is keyed in and read back, it may, up to the end of the revision', async () => {
  await program('PG-0192', '2026-03-16T05:40:00.000Z', 7, seventh, ['3', '4'])
  expect(await assignment()).toMatchObject({
    mayTest: true,
    reasons: [],
    programming: 'PG-0192',
    instrument: 'INS-0031',
    inForceFrom: '2026-03-16T05:00:00.000Z',
    inForceUntil: '2026-03-16T12:00:00.000Z',
    next: {
      mayTest: false,
      revision: 8,
      revisionDigest: eighth,
      programming: null,
      reasons: [{ code: 'programming-missing' }],
    },
    trustUntil: '2026-03-16T12:00:00.000Z',
  })
})

test('with the successor in other programs, trust goes on to the block of the successor', async () => {
  await program('PG-0200', '2026-03-16T05:50:00.000Z', 8, eighth, ['5', '6'])
  expect(await assignment()).toMatchObject({
    programming: 'PG-0192',
    next: { mayTest: true, programming: 'PG-0200' },
    trustUntil: '2026-03-16T14:00:00.000Z',
  })
})

describe('the entity tag', () => {
  test('stays while only trust moves on, and is new with the hour', async () => {
    clock.at = on16('06:59:59.998')
    const first = await tag()
    clock.at = on16('06:59:59.999')
    expect(await tag()).toBe(first)
    clock.at = on16('07:00')
    expect(await tag()).not.toBe(first)
  })

  test('changes with what the station is told', async () => {
    clock.at = on16('07:00')
    const before = await tag()
    await program('PG-0201', '2026-03-16T07:00:00.000Z', 8, eighth, ['7', '8'])
    expect(await tag()).not.toBe(before)
  })
})

test('the answer follows the clock to the millisecond', async () => {
  clock.at = on16('12:00') - 1
  expect(await assignment()).toMatchObject({ mayTest: true, revision: 7 })
  clock.at = on16('12:00')
  expect(await assignment()).toMatchObject({ mayTest: true, revision: 8, programming: 'PG-0201', next: null })
  clock.at = on16('14:00') - 1
  expect(await codes()).toEqual([])
  clock.at = on16('14:00')
  expect(await codes()).toEqual(['revision-blocked'])
})

test('what else stands against it', async () => {
  clock.at = on16('08:00')
  expect(await codes('LDS-F3')).toEqual(['instrument-missing'])
  expect(await codes('OSA-A1')).toEqual(['nothing-in-force', 'instrument-missing'])
  expect(await codes('LDS-F2', { operation: 'incoming' })).toEqual(['nothing-in-force'])
  expect(await codes('LDS-F2', { variant: 'EX36-9M' })).toEqual(['variant-unknown'])
  expect(await codes('LDS-F2', { product: 'EX37' })).toEqual(['product-unknown'])
  clock.at = on16('04:00')
  expect(await codes()).toEqual(['product-unknown'])
  await expect(getAssignment(database, 'NOW-1', asked)).rejects.toMatchObject({ key: 'station-not-found' })
})

describe('the setup sheet', () => {
  const of = (query: object, revision = 7) => getSetupSheet(database, { plan: 'ex36-final', revision, ...query })

  test('of a station has its instrument, and the programs of the programming', async () => {
    clock.at = on16('08:00')
    const sheet = SetupSheetWire.parse(await of({ station: 'LDS-F2', variant: 'EX36-5M' }))
    expect(sheet).toMatchObject({
      revisionDigest: seventh,
      state: 'approved',
      variant: 'EX36-5M',
      variants: ['EX36-3M', 'EX36-5M'],
      station: { station: 'LDS-F2', site: 'leeds' },
      instrument: { instrument: 'INS-0031' },
      marks: [],
    })
    expect(sheet.programs.map(({ program, testerSteps }) => [program, testerSteps.length])).toEqual([
      ['3', 5],
      ['4', 3],
    ])
  })

  test('without a station has neither, and stands in force anywhere', async () => {
    expect(await of({})).toMatchObject({ station: null, instrument: null, marks: [], programs: [{ program: null }] })
  })

  test('marks what must be known', async () => {
    await database.sql.query(`INSERT INTO governance.rule_set VALUES ('aldermoor-routine', $1)`, [OPENED])
    await database.sql.query(
      `INSERT INTO governance.rule_table VALUES ('extractor-strength', 'aldermoor-routine', $1)`,
      [OPENED],
    )
    await database.sql.query(
      `INSERT INTO governance.rule_edition (rule_table, edition, state, content, digest, authors, created_at, published_at,
         published_by, published_meaning, effective_from, binds_because, rules_version)
       VALUES ('extractor-strength', 3, 'published', '{}', '', '{P-0100}', $1, $1, 'P-0101', 'published', $2,
         'an invented rule that binds the demo', 0)`,
      [OPENED, '2026-03-16T04:00:00.001Z'],
    )
    clock.at = on16('08:00')
    const codesOf = async (query: object, revision: number) => (await of(query, revision)).marks.map(({ code }) => code)
    expect(await codesOf({ station: 'LDS-F2' }, 8)).toEqual(['not-in-force', 'bound-by-stated-reason'])
    expect(await codesOf({ station: 'OSA-A1' }, 7)).toEqual(['not-in-force'])
    clock.at = on16('14:00')
    expect(await codesOf({ station: 'LDS-F2' }, 8)).toEqual(['blocked', 'bound-by-stated-reason'])
    await seedRevision(database, { revision: 9, approvedAt: on16('05:00'), from: on16('20:00'), state: 'draft' })
    expect(await codesOf({ station: 'LDS-F2' }, 9)).toEqual(['not-approved'])
  })

  test('refuses what is not there', async () => {
    await expect(of({}, 99)).rejects.toMatchObject({ key: 'revision-not-found' })
    await expect(of({ variant: 'EX36-9M' })).rejects.toMatchObject({ key: 'variant-not-found' })
    await expect(of({ station: 'NOW-1' })).rejects.toMatchObject({ key: 'station-not-found' })
  })
})

test('an ending, and a move of the instrument, take the leave to test away', async () => {
  clock.at = on16('09:00')
  expect(await codes()).toEqual([])
  await endProgramming(database, keyer, 'PG-0192', { at: '2026-03-16T08:55:00.000Z', reason: 'front panel unlocked' })
  expect(await codes()).toEqual(['programming-missing'])
  await assignInstrument(database, administrator, 'LDS-F3', {
    instrument: 'INS-0031',
    from: '2026-03-16T08:59:00.000Z',
  })
  expect(await codes()).toEqual(['instrument-missing'])
  expect(await codes('LDS-F3')).toEqual(['programming-missing'])
})

test('a revision that has not been checked with the rules of today is checked before the answer', async () => {
  clock.at = on16('08:00')
  await runAct(database, async (act) => {
    // The confirmation of another product's version: the rules version counts up for every revision.
    await act.prisma.product.create({ data: { product: 'BC12', recordedAt: new Date(act.at) } })
    const content = canonicalText(ex36({ product: 'BC12', version: 1 }))
    await act.prisma.productVersion.create({
      data: {
        product: 'BC12',
        version: 1,
        state: 'confirmed',
        content,
        digest: digestOf(content),
        authors: ['P-0100'],
        createdAt: new Date(act.at),
        confirmedAt: new Date(act.at),
        confirmedBy: 'P-0101',
        confirmedMeaning: 'confirmed',
        effectiveFrom: new Date(act.at + 1),
        rulesVersion: act.raiseRules(),
      },
    })
    act.touch('rules', 'product:BC12', 'all')
  })
  const versions = () =>
    database.sql.query<{ revision: number; version: number }>(
      'SELECT revision, max(rules_version) AS version FROM governance.revision_check GROUP BY revision ORDER BY revision',
    )
  expect(await versions()).toEqual([
    { revision: 7, version: 0 },
    { revision: 8, version: 0 },
    { revision: 9, version: 0 },
  ])
  expect(await codes()).not.toContain('revision-unchecked')
  expect(await versions()).toEqual([
    { revision: 7, version: 1 },
    { revision: 8, version: 1 },
    // A draft is nothing that could be in force.
    { revision: 9, version: 0 },
  ])
})
