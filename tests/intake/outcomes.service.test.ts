import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { instant } from '../support/clock.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, expected } from '../support/service.ts'

/** Identity, clocks, verdicts, and what a unit's history makes of them. */
let line: Line

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(instant('2026-03-16T09:00:00.000Z'))
})
afterAll(() => line.service.close())

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)
const reasonsOf = ({ release }: Wire): string[] => release.reasons.map(({ code }: { code: string }) => code)

/** Sends one upload a minute after the last. */
async function send(change: (wire: Wire) => void = () => {}): Promise<Answer> {
  line.setClock(line.now() + 60_000)
  return line.send(line.upload(change))
}

const measurement = (wire: Wire, step: number, place = 0) => wire.steps[step].measurements[place]

describe('a serial number (trade cases T24 and T25)', () => {
  test('is read by the rule of the product: blanks and case do not make a second unit', async () => {
    const first = expected(await send((wire) => (wire.serial = ' ex36-26-700001\r\n')), 201).body
    const second = expected(await send((wire) => (wire.serial = 'EX36-26-700001')), 201).body
    expect([first.attempt, second.attempt]).toEqual([1, 2])
    const { items } = (await line.analyst.get('/v1/runs?serial=EX36-26-700001')).body
    expect(items).toHaveLength(2)
  })

  test.each([
    ['another pattern', 'EX36-26-70001'],
    ['a Cyrillic letter', '\u0415X36-26-700002'],
    ['a blank of no width', 'EX36-26-70\u200b0002'],
    ['a control character inside', 'EX36-26\u0007-700002'],
    ['SQL', "EX36'; DROP TABLE intake.runs; --"],
  ])('with %s is refused', async (_, serial) => {
    const answer = await send((wire) => (wire.serial = serial))
    expect([answer.status, codesOf(answer)]).toEqual([422, ['serial-not-allowed']])
    expect(answer.body.codes[0].pointer).toBe('#/serial')
  })

  test('that is a number is refused', async () => {
    const answer = await send((wire) => (wire.serial = 451872))
    expect([answer.status, codesOf(answer)]).toEqual([422, ['serial-not-text']])
  })
})

describe('what does not fit together is rejected (trade case T26)', () => {
  const cases: [string, (wire: Wire) => void, string[]][] = [
    ['a product nobody knows', (wire) => (wire.product = 'CF20'), ['product-plan-mismatch', 'product-unknown']],
    ['a plan nobody knows', (wire) => (wire.plan = 'ex36-first'), ['programming-not-current', 'revision-unknown']],
    ['a revision nobody knows', (wire) => (wire.revision = 6), ['programming-not-current', 'revision-unknown']],
    [
      'another digest',
      (wire) => (wire.revisionDigest = `sha256:${'0'.repeat(64)}`),
      ['digest-mismatch', 'programming-not-current'],
    ],
    ['no variant', (wire) => delete wire.variant, ['field-invalid']],
    ['a variant nobody knows', (wire) => (wire.variant = 'EX36-9M'), ['field-invalid']],
    ['times reversed', (wire) => (wire.endedAt = iso(Date.parse(wire.startedAt) - 1)), Array(5).fill('field-invalid')],
    ['a step doubled', (wire) => wire.steps.push(wire.steps[3]), ['field-invalid']],
    ['a step nobody planned', (wire) => (wire.steps[3].step = 'leakage'), ['field-invalid']],
    ['a measurement nobody planned', (wire) => (measurement(wire, 0).measurement = 'lid'), ['field-invalid']],
    ['a current in volts', (wire) => (measurement(wire, 0).testCurrent.unit = 'V'), ['field-invalid']],
    ['no frequency', (wire) => delete measurement(wire, 1).frequency, ['frequency-missing']],
    ['no test voltage', (wire) => delete measurement(wire, 1).testVoltage, ['field-invalid']],
  ]
  test.each(cases)('%s', async (_, change, codes) => {
    const answer = await send(change)
    expect([answer.status, codesOf(answer).sort()]).toEqual([422, codes])
    expect(answer.body).toMatchObject({ verdict: null, attempt: null, release: null, evidence: null })
    const again = expected(await line.analyst.get(`/v1/runs/${answer.body.runId}`), 200).body
    expect(again.codes).toEqual(answer.body.codes)
  })

  test('all codes are told together', async () => {
    const answer = await send((wire) => {
      wire.revisionDigest = `sha256:${'0'.repeat(64)}`
      wire.serial = 'X'
      wire.person = 'P-0999'
    })
    expect(codesOf(answer).sort()).toEqual([
      'digest-mismatch',
      'person-unknown',
      'programming-not-current',
      'serial-not-allowed',
    ])
  })
})

describe('a clock that cannot be believed (trade case T30) holds the run and refuses nothing', () => {
  const shift = (ms: number) => (wire: Wire) => {
    const moved = (at: string) => iso(Date.parse(at) + ms)
    wire.startedAt = moved(wire.startedAt)
    wire.endedAt = moved(wire.endedAt)
    for (const step of wire.steps) {
      step.startedAt = moved(step.startedAt)
      step.endedAt = moved(step.endedAt)
      if (step.leadOffset) step.leadOffset.takenAt = moved(step.leadOffset.takenAt)
    }
  }
  const year = (to: number) => Date.UTC(to, 2, 16) - Date.UTC(2026, 2, 16)

  test.each([
    ['in the year 2000', year(2000), ['clock-implausible']],
    ['in the year 1', year(2001) - Date.UTC(2001, 0, 1) + Date.parse('0001-01-01T00:00:00Z'), ['clock-implausible']],
    [
      'a day before the site opened',
      Date.parse('2026-01-04T00:00:00Z') - Date.parse('2026-03-16T00:00:00Z'),
      ['clock-implausible'],
    ],
    ['a minute after it was received', 100_000, ['clock-implausible', 'clock-stepped']],
    ['in the year 9999', year(9999), ['clock-implausible', 'clock-stepped']],
  ])('a start %s', async (_, ms, codes) => {
    const answer = await send(shift(ms))
    expect([answer.status, codesOf(answer)]).toEqual([202, codes])
    expect(answer.body).toMatchObject({
      outcome: 'held',
      verdict: 'pass',
      evidence: 'none',
      startedAtUsed: null,
      attempt: 1,
    })
    // It has no row of runs; its judgement is kept all the same, and read again.
    const again = expected(await line.analyst.get(`/v1/runs/${answer.body.runId}`), 200).body
    expect(again).toEqual(answer.body)
    expect(again.steps).toHaveLength(4)
    const unit = expected(await line.analyst.get(`/v1/units/EX36/${serialOf(answer)}`), 200).body
    expect(unit.attempts).toMatchObject([{ startedAt: answer.body.receivedAt, outcome: 'held' }])
  })

  test('a station clock of the year 2000 or 9999 altogether', async () => {
    for (const to of [2000, 9999]) {
      const answer = await send((wire) => {
        shift(year(to))(wire)
        wire.sentAt = iso(Date.parse(wire.sentAt) + year(to))
      })
      expect([answer.status, codesOf(answer)]).toEqual([202, ['clock-skew', 'clock-implausible']])
    }
  })

  test('a clock set back between start and sending', async () => {
    const stepped = (ms: number) => (wire: Wire) => {
      wire.startedAgoMs = Date.parse(wire.sentAt) - Date.parse(wire.startedAt) + ms
    }
    expect((await send(stepped(2_000))).status).toBe(201)
    expect((await send(stepped(-2_000))).status).toBe(201)
    for (const ms of [2_001, -2_001]) {
      const answer = await send(stepped(ms))
      expect([answer.status, codesOf(answer)]).toEqual([202, ['clock-stepped']])
      expect(answer.body.startedAtUsed).toBe(answer.body.startedAt)
    }
    const ended = await send((wire) => (wire.sentAt = iso(Date.parse(wire.endedAt) - 1)))
    expect(codesOf(ended)).toEqual(['clock-stepped'])
  })
})

describe('held for judgement', () => {
  test('a run that took longer than the plan allows', async () => {
    const long = (ms: number) => (wire: Wire) => (wire.endedAt = iso(Date.parse(wire.startedAt) + ms))
    line.setClock(line.now() + 3_600_000)
    const at = { startedAt: line.now() - 700_000, sentAt: line.now() }
    expect((await line.send(line.upload(long(600_000), at))).status).toBe(201)
    const answer = await line.send(line.upload(long(600_001), at))
    expect([answer.status, codesOf(answer)]).toEqual([202, ['run-too-long']])
  })

  test('a purpose other than production', async () => {
    for (const purpose of ['engineering', 'verification']) {
      const answer = await send((wire) => (wire.purpose = purpose))
      expect([answer.status, codesOf(answer)]).toEqual([202, ['purpose-not-allowed']])
      expect(answer.body).toMatchObject({ verdict: 'pass', attempt: null, evidence: 'none' })
    }
  })

  test('stress above the plan: judged on, and named', async () => {
    const answer = await send((wire) => (measurement(wire, 1).testVoltage.value = '1287.6'))
    expect([answer.status, codesOf(answer)]).toEqual([202, ['over-stress']])
    expect(answer.body.verdict).toBe('pass')
    expect(answer.body.codes[0]).toMatchObject({
      pointer: '#/steps/1/measurements/0',
      facts: { step: 'strength', measurement: 'live-to-earth', stress: 'testVoltage', measured: '1287.6 V' },
    })
    expect((await send((wire) => (measurement(wire, 1).testVoltage.value = '1287.5'))).status).toBe(201)
  })
})

describe('a verdict never refuses an upload', () => {
  const cases: [string, string, (wire: Wire) => void][] = [
    ['fail', 'above-limit', (wire) => (measurement(wire, 1).reading.value = '3.01')],
    ['fail', 'breakdown', (wire) => (measurement(wire, 1).termination = 'breakdown')],
    [
      'invalid',
      'open-lead-suspected',
      (wire) => {
        measurement(wire, 1).reading.value = '0.649'
        measurement(wire, 1).highestInRamp.value = '0.649'
      },
    ],
    ['invalid', 'stress-below-plan', (wire) => (measurement(wire, 0).testCurrent.value = '9.99')],
    ['invalid', 'no-reading', (wire) => (measurement(wire, 3, 2).reading.value = null)],
    ['invalid', 'stress-not-measured', (wire) => (measurement(wire, 1).dwell.value = '')],
    [
      'inconclusive',
      'limit-undecided',
      (wire) => Object.assign(measurement(wire, 3, 1).reading, { value: '0.7', relation: '>' }),
    ],
    ['incomplete', 'measurement-missing', (wire) => wire.steps[3].measurements.pop()],
  ]
  test.each(cases)('%s (%s)', async (verdict, reason, change) => {
    const answer = expected(
      await send((wire) => {
        delete wire.stationVerdict
        for (const step of wire.steps) delete step.stationVerdict
        change(wire)
      }),
      201,
    ).body
    expect(answer).toMatchObject({ outcome: 'accepted', codes: [], verdict, evidence: 'none', attempt: 1 })
    const reasons = answer.steps.flatMap((step: Wire) => [
      ...step.reasons,
      ...step.measurements.flatMap((one: Wire) => one.reasons),
    ])
    expect(reasons.map(({ code }: { code: string }) => code)).toContain(reason)
    expect(reasonsOf(answer)).toEqual([`latest-run-${verdict}`])
    expect(answer.action).not.toContain('Passed')
    expect((await line.station.get(`/v1/runs/${answer.runId}`)).body).toEqual(answer)
  })

  test('on the limit it obeys the limit: 3.0 mA inclusive passes', async () => {
    expect((await send((wire) => (measurement(wire, 1).reading.value = '3.000'))).body.verdict).toBe('pass')
  })

  test('no step at all is incomplete', async () => {
    const answer = expected(await send((wire) => (wire.steps = [])), 201).body
    expect(answer).toMatchObject({ verdict: 'incomplete', attempt: 1 })
    expect(answer.steps.map(({ verdict }: { verdict: string }) => verdict)).toEqual(Array(4).fill('not-run'))
  })

  test("the station's own word can only make it worse (trade case T39)", async () => {
    const worse = expected(await send((wire) => (wire.stationVerdict = 'fail')), 201).body
    expect(worse).toMatchObject({ verdict: 'fail', stationVerdict: 'fail' })
    const better = expected(await send((wire) => (measurement(wire, 1).reading.value = '3.5')), 201).body
    expect(better).toMatchObject({ verdict: 'fail', stationVerdict: 'pass' })
  })
})

describe("a unit's history", () => {
  test('is in the order of starts, whatever the order of arrival (trade case T36)', async () => {
    const serial = 'EX36-26-710000'
    line.setClock(line.now() + 3_600_000)
    const at = (minutesAgo: number) => ({ startedAt: line.now() - minutesAgo * 60_000, sentAt: line.now() })
    const pass = (wire: Wire) => (wire.serial = serial)
    const fail = (wire: Wire) => {
      wire.serial = serial
      measurement(wire, 1).reading.value = '3.5'
    }
    const retest = expected(await line.send(line.upload(pass, at(10))), 201).body
    expect(retest).toMatchObject({ attempt: 1, evidence: 'provisional', release: { releasable: true } })
    const first = expected(await line.send(line.upload(fail, at(30))), 201).body
    expect(first).toMatchObject({ attempt: 1, release: { releasable: true } })
    expect((await line.station.get(`/v1/runs/${retest.runId}`)).body.attempt).toBe(2)
    const latest = expected(await line.send(line.upload(fail, at(5))), 201).body
    expect(latest).toMatchObject({ attempt: 3, release: { releasable: false } })
    expect((await line.station.get(`/v1/runs/${retest.runId}`)).body).toMatchObject({
      attempt: 2,
      evidence: 'superseded',
    })
  })

  test('keeps the failure of a rejected run, which blocks until a later pass and a recorded cause', async () => {
    const serial = 'EX36-26-720000'
    const rejected = await send((wire) => {
      wire.serial = serial
      wire.revisionDigest = `sha256:${'0'.repeat(64)}`
      measurement(wire, 1).termination = 'breakdown'
    })
    expect(rejected.status).toBe(422)
    const pass = expected(await send((wire) => Object.assign(wire, { serial, attemptCause: 'after-fail' })), 201).body
    expect(pass).toMatchObject({ verdict: 'pass', evidence: 'provisional', attempt: 2 })
    expect(reasonsOf(pass)).toEqual(['failure-unexplained'])
    const caused = expected(
      await send((wire) => Object.assign(wire, { serial, attemptCause: 'after-rework' })),
      201,
    ).body
    expect(caused).toMatchObject({ attempt: 3, release: { releasable: true, provisional: true } })
    const unit = (await line.analyst.get(`/v1/units/EX36/${serial}`)).body
    expect(unit.attempts).toMatchObject([
      {
        outcome: 'rejected',
        attempt: 1,
        verdict: null,
        evidence: null,
        reportedFailure: true,
        codes: ['digest-mismatch', 'programming-not-current'],
      },
      { attempt: 2, evidence: 'superseded' },
      { attempt: 3, evidence: 'provisional', attemptCause: 'after-rework' },
    ])
  })

  test('keeps the failure of a run whose fields are wrong, and of an engineering run', async () => {
    const serial = 'EX36-26-730000'
    const malformed = await send((wire) => {
      Object.assign(wire, { serial: ` ${serial}`, surplus: 1, stationVerdict: 'fail' })
    })
    expect([malformed.status, codesOf(malformed)]).toEqual([422, ['field-invalid']])
    const engineering = await send((wire) => {
      Object.assign(wire, { serial, purpose: 'engineering', stationVerdict: 'fail' })
    })
    expect(engineering.body).toMatchObject({ outcome: 'held', attempt: 2 })
    const pass = expected(await send((wire) => (wire.serial = serial)), 201).body
    expect(reasonsOf(pass)).toEqual(['failure-unexplained', 'failure-unexplained'])
    // Neither a missing upload key nor a missing station hides a failure; the key of the sender says which station.
    const nameless = await send((wire) => {
      Object.assign(wire, { serial, stationVerdict: 'fail' })
      delete wire.uploadKey
      delete wire.station
    })
    expect([nameless.status, nameless.body.uploadKey]).toEqual([422, null])
    const again = expected(await send((wire) => (wire.serial = serial)), 201).body
    expect(again).toMatchObject({ attempt: 5 })
    expect(reasonsOf(again)).toHaveLength(3)
    // A rejected upload that reported no failure leaves no trace in the history.
    await send((wire) => Object.assign(wire, { serial, surplus: 1 }))
    expect((await line.analyst.get(`/v1/units/EX36/${serial}`)).body.attempts).toHaveLength(5)
  })

  test('of a unit nobody tested is none, and it may not ship', async () => {
    const release = expected(await line.analyst.get('/v1/units/EX36/EX36-26-999999/release'), 200).body
    expect([release.releasable, reasonsOf({ release })]).toEqual([false, ['unit-unknown']])
    expect((await line.analyst.get('/v1/units/EX36/EX36-26-999999')).status).toBe(404)
    expect((await line.analyst.get('/v1/units/CF20/EX36-26-999999/release')).status).toBe(404)
  })
})

/** The serial number that `upload` gave to the run of this answer. */
function serialOf({ body }: Answer): string {
  return `EX36-26-${body.uploadKey.split(':')[1]}`
}
