import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import type { FixedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import {
  assignInstrument,
  createInstrument,
  createSite,
  createStation,
  recordCalibration,
} from '../../src/stations/acts.ts'
import { clockAt } from '../support/clock.ts'
import { openTestDatabase } from '../support/database.ts'
import { capable, on16 } from './facts.ts'
import { administrator, gateState, ledger, refused, seedStations } from './seed.ts'

const OPENED = '2026-03-16T04:00:00.000Z'

let database: Database
let close: () => Promise<void>
let clock: FixedClock

beforeAll(async () => {
  clock = clockAt('2026-03-16T09:00:00.000Z')
  const opened = await openTestDatabase(clock)
  database = opened.database
  close = opened.close
  await seedStations(database, OPENED)
})

afterAll(() => close())

describe('sites', () => {
  test('a new one stands in the gate as the house does, and counts up alone', async () => {
    const before = await gateState(database)
    await createSite(database, administrator, {
      site: 'york',
      name: 'York',
      timeZone: 'Europe/London',
      openedAt: OPENED,
    })
    const after = await gateState(database, before.versions)
    expect(after.versions['york']).toBe((before.versions['*'] ?? 0) + 1)
    expect(after.versions['leeds']).toBe(before.versions['leeds'])
    expect(after.changes).toEqual(['york site york'])
  })

  test('a key is taken once', async () => {
    const draft = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: OPENED }
    expect(await refused(createSite(database, administrator, draft))).toEqual({ key: 'already-exists', pointers: [] })
  })

  test('it opens now or in the past', async () => {
    const draft = { site: 'late', name: 'Late', timeZone: 'Europe/London', openedAt: '2026-03-16T09:00:00.001Z' }
    expect(await refused(createSite(database, administrator, draft))).toEqual({
      key: 'instant-in-future',
      pointers: ['/openedAt'],
    })
    for (const openedAt of ['0000-01-01T00:00:00Z', '1899-12-31T23:59:59.999Z', '1969-12-31T23:59:59.999Z']) {
      expect(await refused(createSite(database, administrator, { ...draft, openedAt }))).toEqual({
        key: 'field-invalid',
        pointers: ['/openedAt'],
      })
    }
    await createSite(database, administrator, { ...draft, openedAt: '2026-03-16T09:00:00.000Z' })
    await createSite(database, administrator, { ...draft, site: 'early', openedAt: '1970-01-01T00:00:00Z' })
  })
})

test('a station stands at a site that is there', async () => {
  const draft = { station: 'NOW-1', site: 'nowhere', name: 'Nowhere', linked: 'keyed' as const }
  expect(await refused(createStation(database, administrator, draft))).toEqual({
    key: 'reference-unknown',
    pointers: ['/site'],
  })
  const again = { station: 'LDS-F2', site: 'osaka', name: 'Again', linked: 'keyed' as const }
  expect(await refused(createStation(database, administrator, again))).toMatchObject({ key: 'already-exists' })
})

describe('instruments', () => {
  test('ranges that make no sense are refused by name', async () => {
    const kinds = [{ kind: 'electric-strength-ac' as const, range: { most: '5', unit: 'A' } }]
    const draft = { instrument: 'INS-X', name: 'X', capabilities: { kinds } }
    expect(await refused(createInstrument(database, administrator, draft))).toEqual({
      key: 'field-invalid',
      pointers: ['/capabilities/kinds/0/range/unit'],
    })
  })

  test('the stored form says null where nothing was said', async () => {
    const kinds = [{ kind: 'touch-current' as const, range: { least: null, most: '264', unit: 'V' } }]
    const made = await createInstrument(database, administrator, {
      instrument: 'INS-0050',
      name: '50',
      capabilities: { kinds },
    })
    expect(made.capabilities).toEqual({
      programs: null,
      kinds: [{ kind: 'touch-current', range: { most: '264', unit: 'V' } }],
    })
  })

  test('an assignment names what is there, in order of time', async () => {
    const from = '2026-03-16T08:00:00.000Z'
    const assign = (station: string, draft: Parameters<typeof assignInstrument>[3]) =>
      refused(assignInstrument(database, administrator, station, draft))
    expect(await assign('NOW-1', { instrument: 'INS-0031', from })).toMatchObject({ key: 'station-not-found' })
    expect(await assign('LDS-F3', { instrument: 'INS-9', from })).toEqual({
      key: 'reference-unknown',
      pointers: ['/instrument'],
    })
    expect(await assign('LDS-F3', { instrument: 'INS-0031', from, until: from })).toEqual({
      key: 'field-invalid',
      pointers: ['/until'],
    })
    expect(await assign('LDS-F3', { instrument: 'INS-0031', from: '2026-03-16T09:00:00.001Z' })).toEqual({
      key: 'instant-in-future',
      pointers: ['/from'],
    })
    expect(await assign('LDS-F2', { instrument: 'INS-0031', from: OPENED })).toMatchObject({ key: 'already-exists' })
  })

  test('one that moves between sites tells both; one that stands nowhere tells none', async () => {
    await createInstrument(database, administrator, { instrument: 'INS-0060', name: '60', capabilities: capable })
    const start = await gateState(database)
    const calibration = { instrument: 'INS-0060', performedAt: OPENED, dueOn: '2027-03-16' }
    await recordCalibration(database, administrator, { calibration: 'CAL-60-1', ...calibration })
    expect(await gateState(database)).toEqual(start)

    await assignInstrument(database, administrator, 'LDS-F3', { instrument: 'INS-0060', from: OPENED })
    const first = await gateState(database, start.versions)
    expect(first.changes).toEqual(['leeds instrument INS-0060', 'leeds station LDS-F3'])

    await assignInstrument(database, administrator, 'OSA-A1', { instrument: 'INS-0060', from: '2026-03-16T08:00:00Z' })
    const second = await gateState(database, first.versions)
    const both = [
      'leeds instrument INS-0060',
      'leeds station LDS-F3',
      'osaka instrument INS-0060',
      'osaka station OSA-A1',
    ]
    expect(second.changes).toEqual(both)

    // Late uploads of both sites rest on its calibrations.
    await recordCalibration(database, administrator, { calibration: 'CAL-60-2', ...calibration })
    expect((await gateState(database, second.versions)).changes).toEqual(both)
  })
})

describe('calibrations', () => {
  const draft = {
    calibration: 'CAL-X',
    instrument: 'INS-0031',
    performedAt: '2026-03-16T08:00:00Z',
    dueOn: '2027-03-16',
  }
  const calibrate = (change: Partial<typeof draft>) =>
    refused(recordCalibration(database, administrator, { ...draft, ...change }))

  test('are of an instrument that is there, performed in the past, due afterwards', async () => {
    expect(await calibrate({ instrument: 'INS-9' })).toEqual({ key: 'reference-unknown', pointers: ['/instrument'] })
    expect(await calibrate({ performedAt: '2026-03-16T09:00:00.001Z' })).toEqual({
      key: 'instant-in-future',
      pointers: ['/performedAt'],
    })
    expect(await calibrate({ dueOn: '2026-03-14' })).toEqual({ key: 'field-invalid', pointers: ['/dueOn'] })
    expect(await calibrate({ calibration: 'CAL-2026-0118' })).toMatchObject({ key: 'already-exists' })
  })

  test('a due day that is not over everywhere is taken', async () => {
    await recordCalibration(database, administrator, { ...draft, dueOn: '2026-03-15' })
  })
})

test('every act stands in the ledger with who did it, and without any name', async () => {
  clock.at = on16('09:30')
  await createSite(database, administrator, {
    site: 'hull',
    name: 'Secret Hull',
    timeZone: 'Europe/London',
    openedAt: OPENED,
  })
  const entries = await ledger(database)
  expect(entries.at(-1)).toMatchObject({
    action: 'createSite',
    by: 'P-0001',
    subject: 'sites/hull',
    recordedAt: '2026-03-16T09:30:00.000Z',
    facts: { timeZone: 'Europe/London', openedAt: OPENED },
  })
  const actions = new Set(entries.map(({ action }) => action))
  const expected = ['createSite', 'createStation', 'createInstrument', 'assignInstrument', 'recordCalibration']
  expect([...actions].sort()).toEqual([...expected].sort())
  expect(JSON.stringify(entries)).not.toContain('Secret')
})

test('what is refused leaves nothing behind', async () => {
  const before = { gate: await gateState(database), entries: (await ledger(database)).length }
  await refused(
    createSite(database, administrator, { site: 'leeds', name: 'x', timeZone: 'Europe/London', openedAt: OPENED }),
  )
  expect({ gate: await gateState(database), entries: (await ledger(database)).length }).toEqual(before)
})
