import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { extractorStrength } from '../support/aldermoor.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, created, expected } from '../support/service.ts'

/** Trade case T43 on a line of Aldermoor Works (invented): plan limit 3.0 mA; the rules say nothing of the leakage limit. */
let line: Line
const DAY = 86_400_000

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 600_000)
})
afterAll(() => line?.service.close())

function content(permit: string, change: Wire = {}): Wire {
  return {
    permit,
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: line.revisionDigest,
    step: 'strength',
    limitUpper: { value: '3.6', unit: 'mA' },
    quantity: 50,
    validUntil: iso(line.now() + 30 * DAY),
    reason: 'filter capacitors of lot L-9 are at their upper tolerance',
    ...change,
  }
}

const meaning = 'agreed with the type file'
const request = (permit: string, change: Wire = {}) =>
  line.author.post('/v1/permits', { content: content(permit, change) })
const approve = (permit: string, digest: string, validFrom = 'at-once') =>
  line.approver.sign(`/v1/permits/${permit}/approval`, { digest, validFrom, meaning })

async function permitted(permit: string, change: Wire = {}): Promise<Wire> {
  const { digest } = created(await request(permit, change)).body
  const { body } = expected(await approve(permit, digest), 200)
  line.setClock(line.now() + 1_000)
  return body
}

/** A unit whose strength test reads so many milliamperes, all else being good. */
async function tested(serial: string, current: string): Promise<Answer> {
  line.setClock(line.now() + 60_000)
  return await line.send(reading(serial, current))
}

function reading(serial: string, current: string): Wire {
  return line.upload((wire) => {
    wire.serial = serial
    delete wire.stationVerdict
    for (const step of wire.steps) delete step.stationVerdict
    wire.steps[1].measurements[0].reading.value = current
    wire.steps[1].measurements[0].highestInRamp.value = current
  })
}

const usedOf = async (permit: string) => expected(await line.analyst.get(`/v1/permits/${permit}`), 200).body.used

describe('a permit', () => {
  test('lets so many units pass apart from plain passes, each once', async () => {
    expect(await permitted('DP-17', { quantity: 2 })).toMatchObject({ state: 'approved', used: 0, blockedFrom: null })
    const first = created(await tested('EX36-26-900001', '3.3')).body
    expect(first).toMatchObject({
      verdict: 'pass-under-permit',
      evidence: 'provisional',
      release: { releasable: true },
    })
    const strength = first.steps[1].measurements[0]
    expect(strength).toMatchObject({ verdict: 'pass-under-permit', limitUpper: { value: '3.6', unit: 'mA' } })
    expect(strength.reasons).toContainEqual(
      expect.objectContaining({ code: 'under-permit', facts: { permit: 'DP-17' } }),
    )
    expect(created(await tested('EX36-26-900002', '2.9')).body.verdict).toBe('pass')
    expect(created(await tested('EX36-26-900001', '3.4')).body.verdict).toBe('pass-under-permit')
    expect(created(await tested('EX36-26-900003', '3.3')).body.verdict).toBe('pass-under-permit')
    expect(await usedOf('DP-17')).toBe(2)
    const late = created(await tested('EX36-26-900004', '3.3')).body
    expect(late).toMatchObject({ verdict: 'fail', release: { releasable: false } })
    expect(created(await tested('EX36-26-900005', '3.7')).body.verdict).toBe('fail')
    expect(await usedOf('DP-17')).toBe(2)
    // The same upload again is answered as the first, and takes nothing.
    expected(await line.author.post('/v1/permits/DP-17/withdrawal', { reason: 'the lot is used up' }), 200)
  })

  test('is used by at most its quantity when fifty units come at once, and the fold and the rows agree', async () => {
    await permitted('DP-18', { quantity: 20 })
    line.setClock(line.now() + 60_000)
    const wires = Array.from({ length: 50 }, (_, index) =>
      reading(`EX36-26-91${String(index).padStart(4, '0')}`, '3.3'),
    )
    const answers = await Promise.all(wires.map((wire) => line.send(wire)))
    const verdicts = answers.map((answer) => created(answer).body.verdict)
    expect(verdicts.filter((one) => one === 'pass-under-permit')).toHaveLength(20)
    expect(verdicts.filter((one) => one === 'fail')).toHaveLength(30)
    expect(await usedOf('DP-18')).toBe(20)
    const again = await Promise.all(wires.map((wire) => line.send(wire)))
    expect(again.map(({ body }) => body.verdict)).toEqual(verdicts)
    expect(await usedOf('DP-18')).toBe(20)
    expected(await line.author.post('/v1/permits/DP-18/withdrawal', { reason: 'the lot is used up' }), 200)
    line.setClock(line.now() + 1_000)
    expect(created(await tested('EX36-26-910000', '3.3')).body.verdict).toBe('fail')
  })

  test('is not given by who asked for it, nor for other content, nor beside another for the same', async () => {
    const both = await line.service.addPerson('P-0303', ['author', 'approver'])
    const { digest } = created(await both.post('/v1/permits', { content: content('DP-20') })).body
    const body = { digest, validFrom: 'at-once', meaning }
    expect(expected(await both.sign('/v1/permits/DP-20/approval', body), 403).body.type).toMatch(/two-people-required$/)
    expected(await approve('DP-20', `sha256:${'0'.repeat(64)}`), 409)
    expected(await approve('DP-20', digest), 200)
    const other = created(await request('DP-21')).body
    expect(expected(await approve('DP-21', other.digest), 409).body.detail).toMatch(/DP-20 relaxes the same limit/)
    expect(expected(await request('DP-20'), 409).body.type).toMatch(/already-exists$/)
  })

  test.each<[string, Wire, string]>([
    ['an instant gone by', { validUntil: '2026-03-01T00:00:00Z' }, '#/content/validUntil'],
    ['no step of the plan', { step: 'flash' }, '#/content/step'],
    ['a limit that it does not relax', { limitUpper: { value: '2.5', unit: 'mA' } }, '#/content/limitUpper/value'],
    ['an unknown site', { sites: ['hull'] }, '#/content/sites/0'],
    ['no quantity', { quantity: 0 }, '#/content/quantity'],
    ['another unit', { limitUpper: { value: '3600', unit: 'uA' } }, '#/content/limitUpper/unit'],
  ])('with %s is refused with its field', async (_, change, pointer) => {
    const { body } = expected(await request('DP-99', change), 422)
    expect(body.errors.map((one: { pointer: string }) => one.pointer)).toContain(pointer)
    expected(await line.analyst.get('/v1/permits/DP-99'), 404)
  })
})

describe('the rules', () => {
  const limitRule = (edition: number, most: string) => {
    const [source] = extractorStrength().sources
    if (source === undefined) throw new Error('the extractors have a source')
    return {
      table: 'leakage-limit',
      edition,
      title: 'Most leakage in the strength test',
      ruleSet: 'aldermoor-routine',
      subject: 'electric-strength-ac' as const,
      hitPolicy: 'U' as const,
      inputs: [],
      outputs: [{ parameter: 'limitUpper' as const, relation: '<=' as const, unit: 'mA' as const }],
      rows: [{ row: 'r1', when: [], then: [most] }],
      sources: [{ ...source, rows: ['r1'] }],
    }
  }

  test('forbid a permit beyond them, with the numbers', async () => {
    await line.publish(limitRule(1, '3.8'))
    const change = { limitUpper: { value: '4.0', unit: 'mA' }, step: 'strength', variants: ['EX36-5M'] }
    expected(await line.author.post('/v1/permits/DP-20/withdrawal', { reason: 'another is asked for' }), 200)
    const { digest } = created(await request('DP-30', change)).body
    const { body } = expected(await approve('DP-30', digest), 409)
    expect(body.type).toMatch(/beyond-rules$/)
    expect(body.findings).toMatchObject([{ parameter: 'limitUpper', demanded: { value: '3.8', unit: 'mA' } }])
  })

  test('end a permit that a later edition does not allow, at its instant', async () => {
    await permitted('DP-31', { limitUpper: { value: '3.7', unit: 'mA' } })
    expect(created(await tested('EX36-26-920001', '3.65')).body.verdict).toBe('pass-under-permit')
    const from = iso(line.now() + 3_600_000)
    await line.publish(limitRule(2, '3.5'), from)
    expect(created(await tested('EX36-26-920002', '3.65')).body.verdict).toBe('pass-under-permit')
    expect(expected(await line.analyst.get('/v1/permits/DP-31'), 200).body.blockedFrom).toBe(from)
    line.setClock(Date.parse(from) + 1_000)
    expect(created(await tested('EX36-26-920003', '3.65')).body.verdict).toBe('fail')
    expect(created(await tested('EX36-26-920004', '2.9')).body.verdict).toBe('pass')
  })

  test('lists by plan and revision page by page', async () => {
    const page = expected(await line.analyst.get('/v1/permits?plan=ex36-final&revision=7&limit=2'), 200).body
    expect(page.items.map(({ permit }: Wire) => permit)).toEqual(['DP-17', 'DP-18'])
    const rest = expected(
      await line.analyst.get(`/v1/permits?plan=ex36-final&revision=7&limit=20&cursor=${page.nextCursor}`),
      200,
    )
    expect(rest.body.items.length).toBeGreaterThan(2)
    expect((await line.analyst.get('/v1/permits?plan=other')).body.items).toEqual([])
  })
})
