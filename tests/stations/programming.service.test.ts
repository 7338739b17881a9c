import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import type { FixedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { assignInstrument } from '../../src/stations/acts.ts'
import { endProgramming, recordProgramming } from '../../src/stations/acts-programming.ts'
import type { ProgrammingDraft } from '../../src/stations/words.ts'
import { clockAt } from '../support/clock.ts'
import { openTestDatabase } from '../support/database.ts'
import { on16 } from './facts.ts'
import {
  administrator,
  gateState,
  keyer,
  ledger,
  reader,
  refused,
  seedProduct,
  seedRevision,
  seedStations,
} from './seed.ts'

const OPENED = '2026-03-16T04:00:00.000Z'

let database: Database
let close: () => Promise<void>
let clock: FixedClock
let base: ProgrammingDraft
let count = 0

beforeAll(async () => {
  clock = clockAt('2026-03-16T09:00:00.000Z')
  const opened = await openTestDatabase(clock)
  database = opened.database
  close = opened.close
  await seedStations(database, OPENED)
  await seedProduct(database, on16('04:00'))
  await seedRevision(database, { revision: 6, approvedAt: on16('04:30'), from: on16('05:00'), until: on16('07:00') })
  const revisionDigest = await seedRevision(database, {
    revision: 7,
    approvedAt: on16('06:30'),
    from: on16('07:00'),
    until: on16('12:00'),
  })
  await seedRevision(database, { revision: 8, approvedAt: on16('08:00'), from: on16('12:00') })
  base = {
    programming: 'PG-0',
    station: 'LDS-F2',
    instrument: 'INS-0031',
    programs: ['3', '4'],
    plan: 'ex36-final',
    revision: 7,
    revisionDigest,
    keyedBy: keyer.person,
    readBackBy: reader.person,
    at: '2026-03-16T08:00:00.000Z',
  }
})

beforeEach(() => {
  count += 1
})

afterAll(() => close())

const record = (change: Partial<ProgrammingDraft> = {}, actor = reader) =>
  recordProgramming(database, actor, { ...base, programming: `PG-${count}`, ...change })

describe('two people', () => {
  test('the one who reads back posts it', async () => {
    expect(await record()).toMatchObject({ keyedBy: 'P-0398', readBackBy: 'P-0417', ending: null })
  })

  test('not the one who keyed it in', async () => {
    expect(await refused(record({ keyedBy: reader.person }))).toEqual({
      key: 'two-people-required',
      pointers: ['/readBackBy'],
    })
  })

  test('nobody posts it for somebody else', async () => {
    expect(await refused(record({}, administrator))).toEqual({ key: 'field-invalid', pointers: ['/readBackBy'] })
    expect(await refused(record({}, keyer))).toEqual({ key: 'field-invalid', pointers: ['/readBackBy'] })
  })

  test('whoever keyed it in is known', async () => {
    expect(await refused(record({ keyedBy: 'P-9999' }))).toEqual({ key: 'reference-unknown', pointers: ['/keyedBy'] })
  })
})

describe('refused with the field named', () => {
  test.each<[string, Partial<ProgrammingDraft>, string, string]>([
    ['a station that is not there', { station: 'NOW-1' }, 'reference-unknown', '/station'],
    ['an instrument that is not there', { instrument: 'INS-9' }, 'reference-unknown', '/instrument'],
    ['a revision that is not there', { revision: 9 }, 'reference-unknown', '/revision'],
    ['a plan that is not there', { plan: 'nothing' }, 'reference-unknown', '/revision'],
    ['other content', { revisionDigest: `sha256:${'0'.repeat(64)}` }, 'digest-stale', '/revisionDigest'],
    ['an instant to come', { at: '2026-03-16T09:00:00.001Z' }, 'instant-in-future', '/at'],
    ['an instrument that stands elsewhere', { instrument: 'INS-0040' }, 'instrument-not-at-station', '/instrument'],
    ['a station where another site has no plan', { station: 'OSA-A1' }, 'revision-not-current', '/revision'],
    ['too few programs', { programs: ['3'] }, 'instrument-not-capable', '/programs'],
    ['a program it does not have', { programs: ['3', '11'] }, 'instrument-not-capable', '/programs/1'],
  ])('%s', async (_name, change, key, pointer) => {
    expect(await refused(record(change))).toEqual({ key, pointers: [pointer] })
  })

  test('a key that is taken', async () => {
    await record()
    expect(await refused(record())).toMatchObject({ key: 'already-exists' })
  })

  test('before the instrument came', async () => {
    const at = '2026-03-16T03:59:59.999Z'
    expect(await refused(record({ at }))).toMatchObject({ key: 'revision-not-current' })
    const earlier = await seedRevision(database, {
      revision: 5,
      approvedAt: on16('01:00'),
      from: on16('02:00'),
      until: on16('05:00'),
    })
    expect(await refused(record({ at, revision: 5, revisionDigest: earlier }))).toEqual({
      key: 'instrument-not-at-station',
      pointers: ['/instrument'],
    })
  })
})

describe('the revision is scheduled or in force at that instant', () => {
  test('not a millisecond before it was approved', async () => {
    expect(await refused(record({ at: '2026-03-16T06:29:59.999Z' }))).toMatchObject({ key: 'revision-not-current' })
    await record({ at: '2026-03-16T06:30:00.000Z' })
  })

  test('not once it has ended', async () => {
    clock.at = on16('13:00')
    expect(await refused(record({ at: '2026-03-16T12:00:00.000Z' }))).toMatchObject({ key: 'revision-not-current' })
    await record({ at: '2026-03-16T11:59:59.999Z' })
  })
})

describe('endings', () => {
  test('one is recorded, dated not before the programming and not to come', async () => {
    clock.at = on16('13:00')
    const { programming } = await record({ at: '2026-03-16T08:30:00.000Z', programs: ['9', '10'] })
    const end = (at: string) => endProgramming(database, keyer, programming, { at, reason: 'front panel unlocked' })
    expect(await refused(end('2026-03-16T08:29:59.999Z'))).toEqual({ key: 'field-invalid', pointers: ['/at'] })
    expect(await refused(end('2026-03-16T13:00:00.001Z'))).toEqual({ key: 'instant-in-future', pointers: ['/at'] })
    const before = await gateState(database)
    expect(await end('2026-03-16T08:45:00.000Z')).toMatchObject({
      programming,
      ending: {
        at: '2026-03-16T08:45:00.000Z',
        reason: 'front panel unlocked',
        endedBy: 'P-0398',
        recordedAt: '2026-03-16T13:00:00.000Z',
      },
    })
    expect((await gateState(database, before.versions)).changes).toEqual([`leeds programming ${programming}`])
    expect(await refused(end('2026-03-16T08:50:00.000Z'))).toMatchObject({ key: 'already-ended' })
    expect(await refused(endProgramming(database, keyer, 'PG-X', { at: OPENED, reason: 'x' }))).toMatchObject({
      key: 'programming-not-found',
    })
  })

  test('of ten sent at once one is taken', async () => {
    const { programming } = await record({ at: '2026-03-16T08:31:00.000Z', programs: ['9', '10'] })
    const ends = await Promise.allSettled(
      Array.from({ length: 10 }, () =>
        endProgramming(database, keyer, programming, { at: '2026-03-16T09:00:00.000Z', reason: 'changed' }),
      ),
    )
    expect(ends.filter(({ status }) => status === 'fulfilled')).toHaveLength(1)
  })
})

test('a new programming tells the site of every other one whose programs it shares', async () => {
  clock.at = on16('13:00')
  await record({ programming: 'PG-A', at: '2026-03-16T08:40:00.000Z', programs: ['1', '2'] })
  await record({ programming: 'PG-B', at: '2026-03-16T08:41:00.000Z', programs: ['5', '6'] })
  const before = await gateState(database)
  await record({ programming: 'PG-C', at: '2026-03-16T08:42:00.000Z', programs: ['2', '7'] })
  expect((await gateState(database, before.versions)).changes).toEqual([
    'leeds programming PG-A',
    'leeds programming PG-C',
  ])
})

test('it is recorded for the station at which the instrument stood then, even after it moved on', async () => {
  clock.at = on16('13:00')
  await assignInstrument(database, administrator, 'LDS-F3', {
    instrument: 'INS-0031',
    from: '2026-03-16T10:00:00.000Z',
  })
  await record({ at: '2026-03-16T09:59:59.999Z' })
  expect(await refused(record({ programming: 'PG-late', at: '2026-03-16T10:00:00.000Z' }))).toMatchObject({
    key: 'instrument-not-at-station',
  })
})

test('the ledger names persons by key, content by digest', async () => {
  const entries = await ledger(database)
  expect(
    entries.filter(({ subject, action }) => subject === 'programmings/PG-C' && action === 'recordProgramming'),
  ).toEqual([
    expect.objectContaining({
      by: 'P-0417',
      facts: expect.objectContaining({
        keyedBy: 'P-0398',
        revisionDigest: base.revisionDigest,
        programs: ['2', '7'],
        at: '2026-03-16T08:42:00.000Z',
      }),
    }),
  ])
  expect(entries.findLast(({ action }) => action === 'endProgramming')).toMatchObject({
    by: 'P-0398',
    facts: { reason: 'changed' },
  })
  expect(JSON.stringify(entries)).not.toContain('Technician')
})
