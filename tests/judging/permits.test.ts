import { describe, expect, test } from 'vitest'
import { decide } from '../../src/judging/decide.ts'
import type { PermitFact } from '../../src/judging/permits.ts'
import type { Relaxation } from '../../src/plans/relax.ts'
import {
  changedUpload,
  codesOf,
  context,
  factsFor,
  IN_FORCE_FROM,
  measurementOfRun,
  RECEIVED,
  revisionFact,
  stepIn,
  type Wire,
  withoutStationWords,
} from './aldermoor.ts'

const relaxation: Relaxation = {
  step: 'strength',
  measurement: null,
  member: 'limitUpper',
  value: '3.4',
  variants: null,
}

function permit(change: Partial<Relaxation> = {}, parts: Partial<PermitFact> = {}): PermitFact {
  return {
    permit: 'DP-17',
    relaxation: { ...relaxation, ...change },
    from: IN_FORCE_FROM,
    until: null,
    blocks: [],
    ...parts,
  }
}

/** What the plan says of a leakage, and what it would be under permits. */
function decided(current: string, permits: readonly PermitFact[], change: (wire: Wire) => void = () => {}) {
  const upload = changedUpload((wire) => {
    withoutStationWords(wire)
    const [one] = stepIn(wire, 'strength').measurements
    one.reading.value = current
    one.highestInRamp.value = current
    change(wire)
  })
  const decision = decide(upload, factsFor(upload, { 'revision/ex36-final/7': { ...revisionFact, permits } }), context)
  return { plain: decision.verdict, permitted: decision.permitted, decision }
}

describe('a run beyond its limit', () => {
  test('fails without a permit, and would pass under one that reaches as far', () => {
    const { plain, permitted } = decided('3.2', [permit()])
    expect(plain).toBe('fail')
    expect(permitted?.permits).toEqual(['DP-17'])
    expect(permitted?.decision.verdict).toBe('pass-under-permit')
    const judgement = permitted?.decision.judgement
    if (!judgement) throw new Error('it is judged')
    const strength = measurementOfRun(judgement, 'strength', 'live-to-earth')
    expect(strength).toMatchObject({ verdict: 'pass-under-permit', limitUpper: { value: '3.4', unit: 'mA' } })
    expect(codesOf(strength)).toContain('under-permit')
    expect(measurementOfRun(judgement, 'bond', 'motor-housing').verdict).toBe('pass')
    expect(judgement.steps.find(({ step }) => step === 'strength')?.verdict).toBe('pass-under-permit')
    expect(judgement.steps.find(({ step }) => step === 'bond')?.verdict).toBe('pass')
  })

  test.each<[string, string, PermitFact, ((wire: Wire) => void)?]>([
    ['beyond the permit too', '3.5', permit()],
    ['for another variant', '3.2', permit({ variants: ['EX36-5M'] })],
    ['for another measurement', '3.2', permit({ measurement: 'live-to-lid' })],
    ['that has ended', '3.2', permit({}, { until: IN_FORCE_FROM + 1 })],
    ['that begins later', '3.2', permit({}, { from: IN_FORCE_FROM + 86_400_000 })],
    ['that rules do not allow', '3.2', permit({}, { blocks: [{ from: IN_FORCE_FROM, until: null }] })],
    ['and the station says it failed', '3.2', permit(), (wire) => (wire.stationVerdict = 'fail')],
    [
      'and it broke down',
      '3.2',
      permit(),
      (wire) => (stepIn(wire, 'strength').measurements[0].termination = 'breakdown'),
    ],
    [
      'and another step fails',
      '3.2',
      permit(),
      (wire) => (stepIn(wire, 'touch').measurements[0].reading.value = '0.9'),
    ],
    ['and the run is held', '3.2', permit(), (wire) => (wire.person = 'P-0999')],
  ])('is not carried by a permit: %s', (_, current, one, change) => {
    expect(decided(current, [one], change).permitted).toBeNull()
  })

  test('that passes by itself uses none', () => {
    const { plain, permitted } = decided('2.9', [permit()])
    expect([plain, permitted]).toEqual(['pass', null])
  })

  test('names the permits that it needs alone', () => {
    const touch = permit({ step: 'touch', value: '1.0' }, { permit: 'DP-18' })
    expect(decided('3.2', [permit(), touch]).permitted?.permits).toEqual(['DP-17'])
    const both = decided(
      '3.2',
      [permit(), touch],
      (wire) => (stepIn(wire, 'touch').measurements[0].reading.value = '0.9'),
    )
    expect(both.permitted?.permits).toEqual(['DP-17', 'DP-18'])
    const compiled = both.permitted?.decision.admission.compiled
    const limits = compiled?.steps.flatMap(({ measurements }) =>
      measurements.map((one) => one.limitUpper?.written.value),
    )
    // Where the plan's own limit is met, it is the one that the record shows.
    expect(limits?.slice(-4)).toEqual(['1.0', '0.75', '0.75', '0.75'])
  })
})

test('a start that clock correction moves across the end of a permit is held', () => {
  const upload = changedUpload(withoutStationWords)
  const until = upload.startedAt + 5_000
  const facts = factsFor(upload, { 'revision/ex36-final/7': { ...revisionFact, permits: [permit({}, { until })] } })
  const late = decide(upload, facts, { ...context, receivedAt: RECEIVED + 10_000 })
  expect(late.codes).toMatchObject([{ code: 'start-uncertain', facts: { about: 'permit' } }])
  expect(decide(upload, facts, context).codes).toEqual([])
})
