import { describe, expect, test } from 'vitest'
import { judged, measurementOfRun, stepIn, type Wire } from './aldermoor.ts'

// What the parts of a run say together: the trade's cases T37, T38 and T39 in our own words.

const measurement = (wire: Wire, step: string, index = 0): Wire => stepIn(wire, step).measurements[index]

describe('T37: steps that were not run', () => {
  const without =
    (...steps: string[]) =>
    (wire: Wire) => {
      wire.steps = wire.steps.filter((step: Wire) => !steps.includes(step.step))
    }
  test('behind a fail they are not missed', () => {
    const run = judged((wire) => {
      without('strength', 'insulation', 'touch')(wire)
      measurement(wire, 'bond').reading.value = '900'
    })
    expect(run.verdict).toBe('fail')
    expect(run.steps.map(({ verdict }) => verdict)).toEqual(['fail', 'not-run', 'not-run', 'not-run'])
  })
  test('without a fail the run is incomplete', () => {
    const run = judged(without('touch'))
    expect([run.verdict, run.steps[3]?.verdict]).toEqual(['incomplete', 'not-run'])
  })
  test('a first step left out is missing, not out of order', () => {
    expect(judged(without('bond')).verdict).toBe('incomplete')
  })
  test('an optional step is not missed, and counts where it was run', () => {
    const optional = (wire: Wire) => {
      stepIn(wire, 'touch').required = false
    }
    expect(judged(without('touch'), optional).verdict).toBe('pass')
    const bad = (wire: Wire) => {
      measurement(wire, 'touch').reading.value = '0.8'
    }
    expect(judged(bad, optional).verdict).toBe('fail')
  })
  test('nothing run at all is never a pass', () => {
    const allOptional = (wire: Wire) => {
      for (const step of wire.steps) step.required = false
    }
    expect(judged(without('bond', 'strength', 'insulation', 'touch')).verdict).toBe('incomplete')
    expect(judged(without('bond', 'strength', 'insulation', 'touch'), allOptional).verdict).toBe('incomplete')
  })
})

describe('T38: the strength test waits for the bond', () => {
  const from = (startedAt: string) =>
    judged((wire) => {
      stepIn(wire, 'strength').startedAt = startedAt
    })
  test('started before the bond had ended it is invalid', () => {
    const run = from('2026-03-16T09:14:12.399+00:00')
    const one = measurementOfRun(run, 'strength', 'live-to-earth')
    expect([run.verdict, one.verdict]).toEqual(['invalid', 'invalid'])
    expect(one.reasons).toEqual([{ code: 'order-wrong', facts: { step: 'strength', after: 'bond' } }])
  })
  test('started as the bond ended it is in order', () => {
    expect(from('2026-03-16T09:14:12.400+00:00').verdict).toBe('pass')
  })
})

describe('T39: the worse word counts', () => {
  const said = (place: (wire: Wire) => Wire, verdict: string, current = '1.74') =>
    judged((wire) => {
      measurement(wire, 'strength').reading.value = current
      place(wire).stationVerdict = verdict
    })
  const places: [string, (wire: Wire) => Wire][] = [
    ['run', (wire) => wire],
    ['step', (wire) => stepIn(wire, 'strength')],
    ['measurement', (wire) => measurement(wire, 'strength')],
  ]
  describe.each(places)('on the %s', (_, place) => {
    test.each([
      ['pass', '5.2', 'fail', true],
      ['fail', '5.2', 'fail', false],
      ['fail', '1.1', 'fail', true],
      ['invalid', '1.1', 'invalid', true],
      ['invalid', '5.2', 'fail', true],
      ['pass', '1.1', 'pass', false],
      ['pass', '0.1', 'invalid', true],
    ])('%s with %s mA: %s', (verdict, current, expected, disagreement) => {
      const run = said(place, verdict, current)
      expect([run.verdict, run.disagreement]).toEqual([expected, disagreement])
    })
  })
})
