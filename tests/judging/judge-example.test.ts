import { describe, expect, test } from 'vitest'
import { decide } from '../../src/judging/decide.ts'
import { changedUpload, context, factsFor, measurementOfRun } from './aldermoor.ts'

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
    expect(admission.suspect).toBe(false)
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
