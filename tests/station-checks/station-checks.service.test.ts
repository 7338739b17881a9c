import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { shipStateAt } from '../../src/units/events.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

/** Trade case T47 on a line of Aldermoor Works (invented), and what a station may get wrong about its checks. */
const MINUTE = 60_000
const HOUR = 60 * MINUTE
const kinds = ['protective-bonding', 'electric-strength-ac']

let line: Line
let six: number

beforeAll(async () => {
  line = await openLine({ still: true })
  for (const expectedWord of ['pass', 'fail']) {
    const body = {
      referenceUnit: `REF-${expectedWord}`,
      name: expectedWord === 'pass' ? 'Sound extractor' : 'Dummy with an open bond and a weak insulation',
      shows: kinds.map((kind) => ({ kind, expected: expectedWord })),
    }
    const { digest, confirmedAt } = created(await line.author.post('/v1/reference-units', body)).body
    expect(confirmedAt).toBeNull()
    const path = `/v1/reference-units/REF-${expectedWord}/confirmation`
    expected(await line.approver.sign(path, { digest, meaning: 'measured in the laboratory' }), 200)
  }
  six = line.now() + 20 * MINUTE
})
afterAll(() => line?.service.close())

const at = (time: number) => line.setClock(Math.max(line.now(), time))

/** A check of LDS-F2 that is good but for the kinds named, in which the dummy passes. */
function check(stationCheck: string, time: number, faultPasses: readonly string[] = [], change: Wire = {}) {
  const results = kinds.flatMap((kind) => [
    { referenceUnit: 'REF-pass', kind, found: 'pass' },
    { referenceUnit: 'REF-fail', kind, found: faultPasses.includes(kind) ? 'pass' : 'fail' },
  ])
  const body = { stationCheck, station: 'LDS-F2', instrument: 'INS-0031', at: iso(time), results, ...change }
  return line.operator.post('/v1/station-checks', body)
}

async function demand(checkPlan: number, asked: readonly string[], effectiveFrom?: string): Promise<Wire> {
  const path = '/v1/stations/LDS-F2/check-plans'
  const body = { checkPlan, kinds: asked, validFor: { value: '12', unit: 'h' } }
  const { digest } = created(await line.author.post(path, body)).body
  const signed = {
    digest,
    meaning: 'as the house rule asks',
    ...(effectiveFrom === undefined ? {} : { effectiveFrom }),
  }
  return expected(await line.approver.sign(`${path}/${checkPlan}/confirmation`, signed), 200).body
}

/** The answer to a good upload of a new unit, with its serial number. */
const run = async (startedAt: number) => {
  at(startedAt + MINUTE)
  const wire = line.upload(undefined, { startedAt })
  const { status, ...answer } = await line.send(wire)
  return { ...answer, status, body: { ...answer.body, serial: wire.serial } }
}
const codesOf = (body: Wire): string[] => body.codes.map(({ code }: { code: string }) => code)
const release = async (serial: string) => expected(await line.analyst.get(`/v1/units/EX36/${serial}/release`), 200).body
const assignment = async () =>
  expected(await line.operator.get('/v1/stations/LDS-F2/assignment?product=EX36&variant=EX36-3M&operation=final'), 200)
    .body

describe('a day of one station', () => {
  let first: string
  let shipped: string

  test('no check at the start of the shift: uploads are held, and the station is told', async () => {
    await demand(1, kinds)
    at(six - MINUTE)
    const held = expected(await run(six - MINUTE), 202).body
    expect(codesOf(held)).toEqual(['check-missing'])
    expect(held.codes[0].facts).toEqual({ station: 'LDS-F2', kinds: kinds.join(', ') })
    const told = await assignment()
    expect(told).toMatchObject({ mayTest: false, checkDueAt: null, reasons: [{ code: 'check-missing' }] })
  })

  test('after a good check evidence is provisional, and the next one is due', async () => {
    at(six + 10 * MINUTE)
    const checked = created(await check('SC-0600', six + 5 * MINUTE)).body
    expect(checked.says).toEqual(kinds.map((kind) => ({ kind, says: 'good' })))
    expect(checked.results[1]).toEqual({
      referenceUnit: 'REF-fail',
      kind: 'protective-bonding',
      expected: 'fail',
      found: 'fail',
    })
    const passed = expected(await run(six + 10 * MINUTE), 201).body
    expect(passed).toMatchObject({ evidence: 'provisional', release: { releasable: true, provisional: true } })
    first = passed.serial
    shipped = expected(await run(six + 20 * MINUTE), 201).body.serial
    expect(await assignment()).toMatchObject({ mayTest: true, checkDueAt: iso(six + 5 * MINUTE + 12 * HOUR) })
    const event = { eventKey: 'SHIP-1', site: 'leeds', event: 'shipped', at: iso(line.now()) }
    created(await line.analyst.post(`/v1/units/EX36/${shipped}/events`, event))
  })

  test('a fault that passes locks the station for its kind, and makes what was tested since suspect', async () => {
    at(six + 8 * HOUR)
    created(await check('SC-1400', six + 8 * HOUR, ['electric-strength-ac']))
    expect(await release(first)).toMatchObject({
      releasable: false,
      reasons: [{ code: 'evidence-suspect', facts: { kinds: 'electric-strength-ac' } }],
    })
    const locked = expected(await run(six + 8 * HOUR + MINUTE), 202).body
    expect(codesOf(locked)).toEqual(['station-locked'])
    expect(locked.codes[0].facts.kinds).toBe('electric-strength-ac')
    expect((await assignment()).reasons).toMatchObject([{ code: 'station-locked' }])
  })

  test('those affected are listed with where they are, and with nothing that was held', async () => {
    const path = '/v1/station-checks/SC-1400/affected'
    const { counts, items } = expected(await line.analyst.get(path), 200).body
    expect(counts).toEqual({
      runs: 2,
      units: 2,
      unitsByShipState: { 'in-plant': 1, shipped: 1, returned: 0, scrapped: 0 },
    })
    expect(items).toMatchObject([
      { serial: first, shipState: 'in-plant', kinds: ['electric-strength-ac'], verdict: 'pass' },
      { serial: shipped, shipState: 'shipped' },
    ])
    const page = expected(await line.analyst.get(`${path}?limit=1`), 200).body
    const rest = expected(await line.analyst.get(`${path}?limit=1&cursor=${page.nextCursor}`), 200).body
    expect([...page.items, ...rest.items]).toEqual(items)
    expect(rest.nextCursor).toBeNull()
    expect((await line.analyst.get(`${path}?shipState=shipped`)).body.items).toEqual([items[1]])
    expect((await line.analyst.get('/v1/station-checks/SC-0600/affected')).body).toMatchObject({
      counts: { runs: 0 },
      items: [],
    })
  })

  test('a good check unlocks it, and closes no bracket that a failed one opened', async () => {
    at(six + 9 * HOUR)
    created(await check('SC-1500', six + 9 * HOUR))
    const after = expected(await run(six + 9 * HOUR), 201).body
    expect(after.evidence).toBe('provisional')
    expect((await release(first)).releasable).toBe(false)
    at(six + 10 * HOUR)
    created(await check('SC-1600', six + 10 * HOUR))
    expect(await release(after.serial)).toMatchObject({ releasable: true, provisional: false })
    const unit = expected(await line.analyst.get(`/v1/units/EX36/${after.serial}`), 200).body
    expect(unit.attempts[0].evidence).toBe('good')
    // The list ends with the next good check.
    expect((await line.analyst.get('/v1/station-checks/SC-1400/affected')).body.counts.runs).toBe(2)
  })

  test('a check made in time and recorded late settles what was held for it', async () => {
    const start = six + 23 * HOUR
    const held = expected(await run(start), 202).body
    expect(codesOf(held)).toEqual(['check-missing'])
    expect((await release(held.serial)).reasons).toMatchObject([{ code: 'hold-open' }])
    created(await check('SC-LATE', start - MINUTE))
    expect(await release(held.serial)).toMatchObject({ releasable: true, provisional: true, reasons: [] })
    const { attempts } = expected(await line.analyst.get(`/v1/units/EX36/${held.serial}`), 200).body
    expect(attempts[0]).toMatchObject({ outcome: 'held', standing: 'accepted', evidence: 'provisional' })
    expect(expected(await run(start + 2 * MINUTE), 201).body.codes).toEqual([])
  })

  test('a plan that asks for nothing any more is a plan of two people too', async () => {
    const later = iso(line.now() + HOUR)
    expect(await demand(2, [], later)).toMatchObject({ effectiveFrom: later, kinds: [] })
    const answer = expected(await run(line.now() + 40 * HOUR), 201).body
    expect(answer.evidence).toBe('provisional')
  })
})

describe('what two people stand for', () => {
  const draft = { referenceUnit: 'REF-NEW', name: 'New dummy', shows: [{ kind: 'touch-current', expected: 'fail' }] }

  test('the author of a reference unit cannot confirm it, a stale digest is a conflict, and it is confirmed once', async () => {
    const both = await line.service.addPerson('P-0301', ['author', 'approver'])
    const { digest } = created(await both.post('/v1/reference-units', draft)).body
    const confirm = (by: typeof both, body: unknown) => by.sign('/v1/reference-units/REF-NEW/confirmation', body)
    const meaning = 'measured in the laboratory'
    expect(expected(await confirm(both, { digest, meaning }), 403).body.type).toMatch(/two-people-required$/)
    const stale = `sha256:${'0'.repeat(64)}`
    expect(expected(await confirm(line.approver, { digest: stale, meaning }), 409).body.type).toMatch(/digest-stale$/)
    // A check cannot be made with it before.
    const results = [{ referenceUnit: 'REF-NEW', kind: 'touch-current', found: 'fail' }]
    const refused = expected(await check('SC-EARLY', line.now(), [], { results }), 422).body
    expect(refused.errors[0].pointer).toBe('#/results/0/referenceUnit')
    expect(expected(await confirm(line.approver, { digest, meaning }), 200).body).toMatchObject({
      confirmedBy: 'P-0201',
      meaning,
    })
    expect(expected(await confirm(line.approver, { digest, meaning }), 409).body.type).toMatch(/state-conflict$/)
    at(line.now() + MINUTE)
    expect(created(await check('SC-ONE', line.now(), [], { results })).body.says).toEqual([
      { kind: 'touch-current', says: 'nothing' },
    ])
  })

  test('one person is enough to withdraw a unit; what was checked with it before stays', async () => {
    const before = line.now()
    at(before + MINUTE)
    const reason = 'its case is broken'
    expected(await line.author.post('/v1/reference-units/REF-NEW/withdrawal', { reason }), 200)
    expected(await line.author.post('/v1/reference-units/REF-NEW/withdrawal', { reason }), 409)
    at(before + 2 * MINUTE)
    const results = [{ referenceUnit: 'REF-NEW', kind: 'touch-current', found: 'fail' }]
    expected(await check('SC-AFTER', line.now(), [], { results }), 422)
    created(await check('SC-BEFORE', before, [], { results }))
  })

  test('a check plan is confirmed by another person, and numbers only go up', async () => {
    const path = '/v1/stations/LDS-F2/check-plans'
    const both = await line.service.addPerson('P-0302', ['author', 'approver'])
    const body = { checkPlan: 7, kinds: ['touch-current'], validFor: { value: '90', unit: 'min' } }
    const { digest } = created(await both.post(path, body)).body
    expected(await both.sign(`${path}/7/confirmation`, { digest, meaning: 'mine' }), 403)
    expect(expected(await both.post(path, body), 409).body.type).toMatch(/number-not-higher$/)
    expect(expected(await line.analyst.get(`${path}/7`), 200).body).toMatchObject({ effectiveFrom: null, digest })
    expect(expected(await line.analyst.get(`${path}?limit=2`), 200).body.items).toHaveLength(2)
    expected(await line.analyst.get(`${path}/99`), 404)
  })
})

test.each([
  ['a station that is not there', { station: 'LDS-X9' }, '#/station'],
  ['an instrument that is not there', { instrument: 'INS-9999' }, '#/instrument'],
  [
    'an unknown unit',
    { results: [{ referenceUnit: 'REF-X', kind: 'touch-current', found: 'fail' }] },
    '#/results/0/referenceUnit',
  ],
  [
    'a kind that the unit is not known for',
    { results: [{ referenceUnit: 'REF-pass', kind: 'touch-current', found: 'pass' }] },
    '#/results/0/kind',
  ],
  ['a future', { at: '2099-01-01T00:00:00Z' }, '#/at'],
  [
    'a word that is none',
    { results: [{ referenceUnit: 'REF-pass', kind: 'touch-current', found: 'ok' }] },
    '#/results/0/found',
  ],
  ['no result', { results: [] }, '#/results'],
])('%s is refused with its field', async (_, change, pointer) => {
  const answer = expected(await check('SC-BAD', line.now(), [], change), 422)
  expect(answer.body.errors.map((one: { pointer: string }) => one.pointer)).toContain(pointer)
  expected(await line.analyst.get('/v1/station-checks/SC-BAD'), 404)
})

test('an instrument that stands elsewhere has no check here, and a key is used once', async () => {
  const elsewhere = expected(await check('SC-BAD', line.now(), [], { instrument: 'INS-0040' }), 409)
  expect(elsewhere.body.type).toMatch(/instrument-not-at-station$/)
  expect(expected(await check('SC-0600', line.now()), 409).body.type).toMatch(/already-exists$/)
})

test('the graph says the same, and where units are is told alike by the list and by the fold', async () => {
  const query = `{ stationCheck(stationCheck: "SC-1400") { at says { kind says } results { referenceUnit expected found } }
    checkPlans(station: "LDS-F2", first: 1) { edges { node { checkPlan validFor { value unit } kinds } } }
    referenceUnit(referenceUnit: "REF-pass") { confirmedBy shows { kind expected } } }`
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  expect(data.stationCheck.says).toContainEqual({ kind: 'ELECTRIC_STRENGTH_AC', says: 'FAILED' })
  expect(data.checkPlans.edges[0].node).toMatchObject({ checkPlan: 1, validFor: { value: '12', unit: 'h' } })
  expect(data.referenceUnit.confirmedBy).toBe('P-0201')

  const { items } = expected(await line.analyst.get('/v1/station-checks/SC-1400/affected'), 200).body
  const [{ serial }] = items
  let made = 0
  for (const event of ['shipped', 'opened', 'returned', 'opened', 'reworked', 'scrapped', 'shipped']) {
    made += 1
    at(line.now() + MINUTE)
    const body = { eventKey: `LIFE-${made}`, site: 'leeds', event, at: iso(line.now()) }
    created(await line.analyst.post(`/v1/units/EX36/${serial}/events`, body))
    const unit = expected(await line.analyst.get(`/v1/units/EX36/${serial}`), 200).body
    const events = unit.events.map((one: Wire) => ({
      ...one,
      at: Date.parse(one.at),
      recordedAt: Date.parse(one.recordedAt),
    }))
    const listed = expected(await line.analyst.get('/v1/station-checks/SC-1400/affected'), 200).body.items[0]
    expect(listed.shipState).toBe(shipStateAt(events))
  }
})
