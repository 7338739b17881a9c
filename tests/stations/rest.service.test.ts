import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import {
  type Client,
  created,
  expected,
  type PersonClient,
  startTestService,
  type TestService,
} from '../support/service.ts'
import { capable, on16 } from './facts.ts'
import { seedProduct, seedRevision } from './seed.ts'

const OPENED = '2026-03-16T04:00:00.000Z'
const assignmentPath = '/v1/stations/LDS-F2/assignment?product=EX36&variant=EX36-3M&operation=final'

let service: TestService
let administrator: PersonClient
let technician: PersonClient
let analyst: PersonClient
let stationKey: Client
let gatewayKey: Client
let digest: string

beforeAll(async () => {
  service = await startTestService({ startsAt: '2026-03-16T06:00:00.000Z' })
  administrator = service.administrator
  technician = await service.addPerson('P-0417', [])
  await service.addPerson('P-0398', [])
  analyst = await service.addPerson('P-0500', ['analyst'])
  const site = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: OPENED }
  created(await administrator.post('/v1/sites', site))
  for (const station of ['LDS-F2', 'LDS-F3']) {
    created(await administrator.post('/v1/stations', { station, site: 'leeds', name: station, linked: 'automatic' }))
  }
  created(
    await administrator.post('/v1/instruments', { instrument: 'INS-0031', name: 'Tester', capabilities: capable }),
  )
  created(await administrator.post('/v1/stations/LDS-F2/instruments', { instrument: 'INS-0031', from: OPENED }))
  const calibration = { calibration: 'CAL-2026-0118', instrument: 'INS-0031', performedAt: OPENED, dueOn: '2026-12-31' }
  created(await administrator.post('/v1/calibrations', calibration))
  await seedProduct(service.database, on16('04:00'))
  digest = await seedRevision(service.database, { revision: 7, approvedAt: on16('04:30'), from: on16('05:00') })
  stationKey = await service.addKey({ kind: 'station', station: 'LDS-F2' })
  gatewayKey = await service.addKey({ kind: 'gateway', site: 'leeds', stations: ['LDS-F3'] })
})

afterAll(() => service.close())

function programming(change: object = {}): object {
  return {
    programming: 'PG-0192',
    station: 'LDS-F2',
    instrument: 'INS-0031',
    programs: ['3', '4'],
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: digest,
    keyedBy: 'P-0398',
    readBackBy: 'P-0417',
    at: '2026-03-16T05:40:00.000+00:00',
    ...change,
  }
}

/** Pointers and codes of a refusal, in order. */
function named(body: { errors?: { pointer: string; code: string }[] }): string[] {
  return (body.errors ?? []).map(({ pointer, code }) => `${pointer} ${code}`)
}

describe('a station asks what to test with', () => {
  test('and is told what it lacks, then that it may', async () => {
    const before = expected(await stationKey.get(assignmentPath), 200)
    expect(before.body).toMatchObject({ mayTest: false, reasons: [{ code: 'programming-missing' }] })
    const made = created(await technician.post('/v1/programmings', programming()))
    expect(made.headers['location']).toBe('/v1/programmings/PG-0192')
    const after = expected(await stationKey.get(assignmentPath), 200)
    expect(after.body).toMatchObject({ mayTest: true, programming: 'PG-0192', revisionDigest: digest })
    expect(after.headers['etag']).not.toBe(before.headers['etag'])
    const again = await stationKey.get(assignmentPath, { 'if-none-match': String(after.headers['etag']) })
    expect([again.status, again.body]).toEqual([304, undefined])
  })

  test('for itself alone', async () => {
    expect((await gatewayKey.get(assignmentPath)).status).toBe(403)
    expect((await gatewayKey.get(assignmentPath.replace('F2', 'F3'))).status).toBe(200)
    expect((await stationKey.get(assignmentPath.replace('F2', 'F3'))).status).toBe(403)
    // Whether a station is there is none of another's business.
    expect((await stationKey.get(assignmentPath.replace('LDS-F2', 'NOW-1'))).status).toBe(403)
    expect((await technician.get(assignmentPath)).status).toBe(200)
    expect((await technician.get(assignmentPath.replace('LDS-F2', 'NOW-1'))).status).toBe(404)
  })

  test.each([
    ['serial', '?serial=EX36-26-004417'],
    ['serial', '?product=EX36&operation=final&serial=EX36-26-004417'],
    ['product', '?operation=final'],
    ['operation', '?product=EX36'],
    ['variant', '?product=EX36&operation=final&variant=%00'],
  ])('and %s is refused by name in %s', async (name, query) => {
    const { status, body } = await stationKey.get(`/v1/stations/LDS-F2/assignment${query}`)
    expect(status).toBe(400)
    expect(named(body).join(' ')).toContain(`/${name}`)
  })
})

test('the setup sheet is for any person', async () => {
  const path = '/v1/plans/ex36-final/revisions/7/setup-sheet'
  const { body } = expected(await technician.get(`${path}?station=LDS-F2&variant=EX36-3M`), 200)
  expect(body).toMatchObject({ revisionDigest: digest, instrument: { instrument: 'INS-0031' } })
  expect((await stationKey.get(path)).status).toBe(403)
  expect((await technician.get('/v1/plans/ex36-final/revisions/70/setup-sheet')).status).toBe(404)
  expect((await technician.get('/v1/plans/ex36-final/revisions/x/setup-sheet')).status).toBe(400)
})

describe('what was made can be read', () => {
  test.each([
    ['/v1/sites/leeds', { site: 'leeds', timeZone: 'Europe/London', openedAt: OPENED }],
    ['/v1/stations/LDS-F2', { station: 'LDS-F2', site: 'leeds', linked: 'automatic' }],
    ['/v1/instruments/INS-0031', { instrument: 'INS-0031', capabilities: { programs: { count: 10, stepsEach: 5 } } }],
    ['/v1/calibrations/CAL-2026-0118', { instrument: 'INS-0031', dueOn: '2026-12-31' }],
    ['/v1/programmings/PG-0192', { programs: ['3', '4'], at: '2026-03-16T05:40:00.000Z', ending: null }],
  ])('%s', async (path, body) => {
    expect(expected(await analyst.get(path), 200).body).toMatchObject(body)
    expect((await analyst.get(`${path}X`)).status).toBe(404)
    expect((await technician.get(path)).status).toBe(403)
  })

  test.each([
    ['/v1/sites', 'site', ['leeds']],
    ['/v1/stations', 'station', ['LDS-F2', 'LDS-F3']],
    ['/v1/stations?site=leeds', 'station', ['LDS-F2', 'LDS-F3']],
    ['/v1/stations?site=osaka', 'station', []],
    ['/v1/instruments', 'instrument', ['INS-0031']],
    ['/v1/stations/LDS-F2/instruments', 'instrument', ['INS-0031']],
    ['/v1/stations/LDS-F3/instruments', 'instrument', []],
    ['/v1/calibrations?instrument=INS-0031', 'calibration', ['CAL-2026-0118']],
    ['/v1/calibrations?instrument=INS-0040', 'calibration', []],
    ['/v1/programmings?station=LDS-F2', 'programming', ['PG-0192']],
    ['/v1/programmings?instrument=INS-0040', 'programming', []],
  ])('%s', async (path, member, keys) => {
    const { body } = expected(await analyst.get(path), 200)
    expect(body.items.map((item: Record<string, unknown>) => item[member])).toEqual(keys)
    expect(body.nextCursor).toBeNull()
  })

  test('page by page, and one list refuses the cursor of another', async () => {
    for (let month = 1; month <= 5; month += 1) {
      const performedAt = `2025-0${month}-01T00:00:00Z`
      const draft = { calibration: `CAL-${9 - month}`, instrument: 'INS-0031', performedAt, dueOn: '2026-01-01' }
      created(await administrator.post('/v1/calibrations', draft))
    }
    const seen: string[] = []
    let path = '/v1/calibrations?limit=2'
    for (;;) {
      const { body, headers } = expected(await analyst.get(path), 200)
      seen.push(...body.items.map(({ calibration }: { calibration: string }) => calibration))
      if (body.nextCursor === null) break
      expect(headers['link']).toContain('rel="next"')
      path = `/v1/calibrations?limit=2&cursor=${body.nextCursor}`
    }
    expect(seen).toEqual(['CAL-8', 'CAL-7', 'CAL-6', 'CAL-5', 'CAL-4', 'CAL-2026-0118'])
    const { status, body } = await analyst.get(path.replace('calibrations', 'programmings'))
    expect([status, body.type]).toEqual([400, 'urn:limitkeep:problem:cursor-invalid'])
    expect((await analyst.get('/v1/stations/NOW-1/instruments')).status).toBe(404)
  })
})

describe('bodies are refused with every field named', () => {
  test.each<[string, object, string[]]>([
    [
      '/v1/sites',
      { site: 'a b', name: '', timeZone: '+01:00', openedAt: '2026-03-16T04:00:00' },
      ['site', 'name', 'timeZone', 'openedAt'],
    ],
    ['/v1/sites', { site: 'x', name: 'x\u0000', timeZone: 'Mars/Base', openedAt: OPENED }, ['name']],
    ['/v1/stations', { station: 'x', site: 'leeds', name: 'x', linked: 'by-hand', extra: 1 }, ['linked', 'extra']],
    [
      '/v1/instruments',
      { instrument: 'x', name: 'x', capabilities: { programs: { count: 0, stepsEach: 5 }, kinds: [] } },
      ['capabilities/programs/count', 'capabilities/kinds'],
    ],
    [
      '/v1/instruments',
      { instrument: 'x', name: 'x', capabilities: { kinds: [{ kind: 'arc-flash' }] } },
      ['capabilities/kinds/0/kind'],
    ],
    [
      '/v1/calibrations',
      { calibration: 'x', instrument: 'INS-0031', performedAt: OPENED, dueOn: '2026-02-30' },
      ['dueOn'],
    ],
    [
      '/v1/calibrations',
      { calibration: 'x', instrument: 'INS-0031', performedAt: OPENED, dueOn: '2026-12-31T00:00:00Z' },
      ['dueOn'],
    ],
    ['/v1/stations/LDS-F2/instruments', { instrument: 'INS-0031', from: 'yesterday' }, ['from']],
  ])('%s %j', async (path, body, fields) => {
    const answer = await administrator.post(path, body)
    expect(answer.status).toBe(422)
    const pointers = new Set(answer.body.errors.map(({ pointer }: { pointer: string }) => pointer))
    for (const field of fields) expect(pointers).toContain(`#/${field}`)
  })

  test.each<[object, string[]]>([
    [{ programs: ['3', '3'] }, ['#/programs']],
    [{ programs: [] }, ['#/programs']],
    [{ programs: '3' }, ['#/programs']],
    [{ revision: '7' }, ['#/revision']],
    [{ revisionDigest: 'sha256:0' }, ['#/revisionDigest']],
    [{ at: '2026-03-16T05:40:00' }, ['#/at']],
    [{ at: '0000-01-01T00:00:00Z' }, ['#/at']],
    [{ keyedBy: undefined }, ['#/keyedBy']],
    [{ checkedBy: 'P-1' }, ['#/checkedBy']],
  ])('a programming with %j', async (change, pointers) => {
    const { status, body } = await technician.post('/v1/programmings', programming({ programming: 'PG-X', ...change }))
    expect([status, body.errors.map(({ pointer }: { pointer: string }) => pointer)]).toEqual([422, pointers])
  })

  test('texts that look like SQL are texts', async () => {
    const name = "'); DROP TABLE governance.site; --"
    const site = { site: 'sql', name, timeZone: 'Europe/London', openedAt: OPENED }
    expect(created(await administrator.post('/v1/sites', site)).body.name).toBe(name)
    expect((await analyst.get(`/v1/sites/${encodeURIComponent(name)}`)).status).toBe(400)
  })
})

test('an ending is recorded once', async () => {
  const ending = { at: '2026-03-16T05:50:00.000Z', reason: 'front panel unlocked' }
  const { body } = expected(await technician.post('/v1/programmings/PG-0192/ending', ending), 200)
  expect(body.ending).toMatchObject({ at: ending.at, endedBy: 'P-0417' })
  expect((await technician.post('/v1/programmings/PG-0192/ending', ending)).status).toBe(409)
  expect(expected(await stationKey.get(assignmentPath), 200).body.mayTest).toBe(false)
  expect((await stationKey.post('/v1/programmings/PG-0192/ending', ending)).status).toBe(403)
})

test('any instrument can be asked whether it would take a revision', async () => {
  const capabilities = {
    programs: { count: 1, stepsEach: 5 },
    kinds: [{ kind: 'touch-current', accuracy: { value: '1', unit: '%' } }],
  }
  const small = { instrument: 'INS-0099', name: 'A small one', capabilities }
  expect(created(await administrator.post('/v1/instruments', small)).body.capabilities).toEqual(capabilities)
  const path = '/v1/plans/ex36-final/revisions/7/setup-sheet'
  const { body } = expected(await technician.get(`${path}?instrument=INS-0099`), 200)
  expect(body).toMatchObject({
    station: null,
    instrument: { instrument: 'INS-0099', fits: false, capacity: { testerSteps: 8, programsNeeded: 2, programs: 1 } },
  })
  expect(body.leftOver.map(({ step }: { step: string }) => step)).toEqual(['touch', 'touch', 'touch'])
  // Elsewhere it is the one that stands there; one that is named takes its place on the sheet.
  const placed = expected(await technician.get(`${path}?station=LDS-F2&instrument=INS-0099`), 200).body
  expect(placed).toMatchObject({
    station: { station: 'LDS-F2' },
    instrument: { instrument: 'INS-0099' },
    programs: [{ program: null }],
  })
  const { status, body: refused } = await technician.get(`${path}?instrument=INS-9999`)
  expect([status, refused.type]).toEqual([404, 'urn:limitkeep:problem:instrument-not-found'])
})

test('the sheet comes as a page that loads and runs nothing, with no name in it as markup', async () => {
  const name = '<script>alert("station")</script> & sons'
  created(await administrator.post('/v1/stations', { station: 'LDS-X9', site: 'leeds', name, linked: 'keyed' }))
  const path = '/v1/plans/ex36-final/revisions/7/setup-sheet/page'
  const page = expected(await technician.get(`${path}?station=LDS-X9`), 200)
  expect(page.headers['content-type']).toBe('text/html; charset=utf-8')
  expect(page.headers['content-security-policy']).toMatch(
    /^default-src 'none'; style-src 'sha256-[A-Za-z0-9+/=]{44}'; frame-ancestors 'none'$/,
  )
  expect(page.headers['x-content-type-options']).toBe('nosniff')
  expect(page.body).toContain('<bdi>&lt;script&gt;alert(&quot;station&quot;)&lt;/script&gt; &amp; sons</bdi>')
  expect(page.body).not.toContain('<script')
  expect(page.body).toContain(digest)
  expect((await stationKey.get(path)).status).toBe(403)
  const missing = await technician.get(path.replace('/7/', '/70/'))
  expect([missing.status, missing.headers['content-type']]).toEqual([404, 'application/problem+json'])
})
