import { describe, expect, test } from 'vitest'
import { departuresOf, relaxationsOf } from '../../src/concessions/departures.ts'
import type { MeasurementJudgement, StepJudgement } from '../../src/judging/judgement.ts'
import { judged, stepIn, type Wire } from '../judging/aldermoor.ts'

/** What a run of the worked example would be departed from, after a change. */
function departures(change: (wire: Wire) => void) {
  return departuresOf(judged(change).steps)
}

const strength = (wire: Wire) => stepIn(wire, 'strength').measurements[0]
const touch = (wire: Wire, index: number) => stepIn(wire, 'touch').measurements[index]

describe('what is departed from', () => {
  test('is each number beyond its limit, with both', () => {
    const found = departures((wire) => {
      touch(wire, 0).reading.value = '0.81'
      touch(wire, 2).reading.value = '0.80'
      stepIn(wire, 'insulation').measurements[0].reading.value = { value: '1.4', unit: 'MOhm' }.value
      stepIn(wire, 'insulation').measurements[0].reading.unit = 'MOhm'
      delete stepIn(wire, 'insulation').measurements[0].reading.relation
    })
    expect(found).toEqual({
      departures: [
        {
          step: 'insulation',
          measurement: 'live-to-earth',
          member: 'limitLower',
          limit: { value: '2', unit: 'MOhm' },
          judged: { value: '1.4', unit: 'MOhm' },
        },
        {
          step: 'touch',
          measurement: 'normal-closed',
          member: 'limitUpper',
          limit: { value: '0.75', unit: 'mA' },
          judged: { value: '0.81', unit: 'mA' },
        },
        {
          step: 'touch',
          measurement: 'reversed-closed',
          member: 'limitUpper',
          limit: { value: '0.75', unit: 'mA' },
          judged: { value: '0.80', unit: 'mA' },
        },
      ],
    })
    if ('departures' in found)
      expect(relaxationsOf(found.departures)[1]).toMatchObject({ value: '0.81', variants: null })
  })

  test.each<[string, (wire: Wire) => void]>([
    ['a breakdown', (wire) => (strength(wire).termination = 'breakdown')],
    [
      'a number of which only a bound is known',
      (wire) => Object.assign(strength(wire).reading, { value: '9.99', relation: '>' }),
    ],
    ['a test that was none', (wire) => (touch(wire, 1).reading.value = '0.01')],
    ['a reading that is not there', (wire) => delete touch(wire, 1).reading],
    ['a current beyond the limit while the voltage rose', (wire) => (strength(wire).highestInRamp.value = '4.0')],
  ])('is nothing for %s', (_, change) => {
    expect(departures(change)).toHaveProperty('refused')
  })

  test('is nothing of a run that passed', () => {
    expect(departures(() => {})).toEqual({ refused: 'no number of it is beyond a limit' })
  })

  test('is nothing where somebody saw a nonconformity', () => {
    const measurement: MeasurementJudgement = {
      measurement: 'cover',
      verdict: 'fail',
      reasons: [{ code: 'nonconforming', facts: {} }],
    }
    const step: StepJudgement = { step: 'looked-at', verdict: 'fail', reasons: [], measurements: [measurement] }
    expect(departuresOf([step])).toHaveProperty('refused')
  })
})
