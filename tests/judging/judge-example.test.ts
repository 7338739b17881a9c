import { describe, expect, test } from 'vitest'
import { decide } from '../../src/judging/decide.ts'
import { changedUpload, context, factsFor, judged, measurementOfRun, stepIn } from './aldermoor.ts'

// Payloads, sections 4 and 5: the upload of serial EX36-26-004417 and its answer.
describe('the worked example', () => {
  const upload = changedUpload()
  const decision = decide(upload, factsFor(upload), context)
  const judgement = decision.judgement ?? expect.fail('it is judged')

  test('is accepted with the answer of the page', () => {
    expect(decision.codes).toEqual([])
    expect(decision.outcome).toBe('accepted')
    expect(decision.verdict).toBe('pass')
    expect(judgement.stationVerdict).toBe('pass')
    expect(judgement.disagreement).toBe(false)
    expect(decision.reportedFailure).toBe(false)
    const { admission } = decision
    expect(admission.skewMs).toBe(130)
    expect(admission.startedAtUsed).toBe(upload.startedAt)
    expect(admission.serial).toBe('EX36-26-004417')
    expect(admission.operation).toBe('final')
    expect(admission.productVersion).toBe(3)
    expect(admission.calibration?.calibration).toBe('CAL-2026-0118')
    expect(admission.editions).toEqual(['appliance-strength/4', 'extractor-strength/2'])
    expect(admission.needsCheck).toBe(false)
    expect(admission.worth).toMatchObject({ suspect: false, suspectKinds: [], isClosed: false })
  })

  test('judges the bond net of its leads, in the unit of the limit', () => {
    expect(measurementOfRun(judgement, 'bond', 'motor-housing')).toEqual({
      measurement: 'motor-housing',
      verdict: 'pass',
      judged: { value: '97.4', unit: 'mOhm' },
      limitUpper: { value: '158.5', unit: 'mOhm' },
      margin: { value: '61.1', unit: 'mOhm' },
      reasons: [{ code: 'lead-offset-subtracted', facts: { raw: '118.4 mOhm', offset: '21.0 mOhm' } }],
    })
  })

  test('keeps a censored reading a bound, in number and margin', () => {
    expect(measurementOfRun(judgement, 'insulation', 'live-to-earth')).toEqual({
      measurement: 'live-to-earth',
      verdict: 'pass',
      judged: { value: '9990', unit: 'MOhm', relation: '>' },
      limitLower: { value: '2', unit: 'MOhm' },
      margin: { value: '9988', unit: 'MOhm', relation: '>' },
      reasons: [],
    })
  })

  test('shows a reading and its limit in the digits they came in, and what was computed in plain ones', () => {
    expect(measurementOfRun(judgement, 'touch', 'reversed-closed')).toEqual({
      measurement: 'reversed-closed',
      verdict: 'pass',
      judged: { value: '0.170', unit: 'mA' },
      limitUpper: { value: '0.75', unit: 'mA' },
      margin: { value: '0.58', unit: 'mA' },
      reasons: [],
    })
    expect(measurementOfRun(judgement, 'strength', 'live-to-earth').limitUpper).toEqual({ value: '3.0', unit: 'mA' })
  })

  test.each([
    ['5.00', 'mA', '5.00'],
    // In another unit than the limit's it is converted.
    ['5000.0', 'uA', '5'],
  ])('a strength current of %s %s is judged as %s mA', (value, unit, shown) => {
    const run = judged((wire) => Object.assign(stepIn(wire, 'strength').measurements[0].reading, { value, unit }))
    const one = measurementOfRun(run, 'strength', 'live-to-earth')
    expect(one.judged).toEqual({ value: shown, unit: 'mA' })
    expect(one.margin).toEqual({ value: '-2', unit: 'mA' })
    expect(one.reasons).toEqual([
      { code: 'above-limit', facts: { reading: `${shown} mA`, limit: '3.0 mA', inclusive: 'true' } },
    ])
  })

  test.each([
    ['station', '118.40'],
    ['server', '97.4'],
  ])('a bond whose leads the %s took off is judged as %s mOhm', (subtractedBy, shown) => {
    const run = judged((wire) => {
      const step = stepIn(wire, 'bond')
      step.leadOffset.subtractedBy = subtractedBy
      step.measurements[0].reading.value = '118.40'
    })
    expect(measurementOfRun(run, 'bond', 'motor-housing').judged).toEqual({ value: shown, unit: 'mOhm' })
  })

  test('judges all eight measurements of the four steps', () => {
    const verdicts = judgement.steps.map(({ step, verdict, measurements }) => [step, verdict, measurements.length])
    expect(verdicts).toEqual([
      ['bond', 'pass', 2],
      ['strength', 'pass', 1],
      ['insulation', 'pass', 1],
      ['touch', 'pass', 4],
    ])
  })
})
