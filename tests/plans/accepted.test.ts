import { describe, expect, test } from 'vitest'
import { formatDecimal } from '../../src/exact/decimal.ts'
import { acceptedBy, acceptedByPlan } from '../../src/plans/accepted.ts'
import { acceptedEnds, plannedEnds } from '../../src/plans/windows.ts'
import { settingsOf } from '../../src/plans/words.ts'
import type { AcceptedValue } from '../../src/rules/demand.ts'
import type { Parameter } from '../../src/rules/words.ts'
import { type Changes, plan, stepNamed } from './aldermoor.ts'

function written(value: AcceptedValue): unknown {
  if (value === 'absent' || 'flag' in value || 'kinds' in value) return value
  const { least, most } = value
  return [least && formatDecimal(least), most && formatDecimal(most)]
}

function accepted(
  step: string,
  parameter: Parameter,
  given: { variant?: string; changes?: Changes; at?: number } = {},
) {
  const settings = settingsOf(stepNamed(plan(given.changes), step))[given.at ?? 0]
  if (!settings) throw new Error(`no measurement ${given.at}`)
  return written(acceptedBy(settings, given.variant ?? 'EX36-3M', [])(parameter))
}

describe('what a step would accept', () => {
  test.each<[string, Parameter, unknown]>([
    ['strength', 'testVoltage', ['1200', '1287.5']],
    ['strength', 'dwell', ['1', undefined]],
    ['strength', 'rampUp', [undefined, '5']],
    ['strength', 'frequency', ['49', '51']],
    ['strength', 'tripCurrent', ['0.005', '0.005']],
    ['strength', 'limitUpper', ['0.003', '0.003']],
    ['strength', 'limitInRamp', { flag: true }],
    ['strength', 'limitLower', 'absent'],
    ['strength', 'stepPresent', 'absent'],
    ['bond', 'testCurrent', ['10', '12']],
    ['bond', 'sourceVoltage', [undefined, '12']],
    ['bond', 'limitUpper', ['0.1585', '0.1585']],
    ['bond', 'testVoltage', 'absent'],
    ['bond', 'rampRate', 'absent'],
    ['insulation', 'limitLower', ['2000000', '2000000']],
    ['insulation', 'residualVoltage', [undefined, '60']],
    ['touch', 'limitUpper', ['0.00075', '0.00075']],
    ['touch', 'limitInRamp', 'absent'],
  ])('%s: %s', (step, parameter, expected) => {
    expect(accepted(step, parameter)).toEqual(expected)
  })

  test('a limit is that of the variant, and none where the variant has none', () => {
    expect(accepted('bond', 'limitUpper', { variant: 'EX36-5M' })).toEqual(['0.1975', '0.1975'])
    expect(accepted('bond', 'limitUpper', { variant: 'EX36-9M' })).toBe('absent')
  })

  test('a measurement is taken at its own word', () => {
    const changes = { '/steps/0/measurements/1/dwell': { least: '3', most: '4', unit: 's' } }
    expect(accepted('bond', 'dwell', { changes, at: 0 })).toEqual(['2', undefined])
    expect(accepted('bond', 'dwell', { changes, at: 1 })).toEqual(['3', '4'])
  })

  test('the rate of a ramp is voltage over time, and unbounded where the plan leaves it so', () => {
    expect(accepted('strength', 'rampRate')).toEqual(['240', undefined])
    const bounded = { '/steps/1/rampUp': { least: '2', most: '5', unit: 's' } }
    expect(accepted('strength', 'rampRate', { changes: bounded })).toEqual(['240', '643.75'])
    const noTime = { '/steps/1/rampUp': { least: '0', most: '0', unit: 's' } }
    expect(accepted('strength', 'rampRate', { changes: noTime })).toEqual([undefined, undefined])
  })

  test('the plan has the kinds of its required steps', () => {
    const { steps } = plan({ '/steps/3/required': false })
    expect(written(acceptedByPlan(steps)('stepPresent'))).toEqual({
      kinds: ['protective-bonding', 'electric-strength-ac', 'insulation-resistance'],
    })
    expect(acceptedByPlan(steps)('dwell')).toBe('absent')
  })
})

describe('ends of a window', () => {
  test('a value set alone is both ends; beside an end it bounds nothing', () => {
    expect(written(acceptedEnds('frequency', { set: '1.25', unit: 'kV' }))).toEqual(['1250', '1250'])
    expect(written(acceptedEnds('sourceVoltage', { set: '1250', least: '1200', unit: 'V' }))).toEqual([
      '1200',
      undefined,
    ])
    expect(written(acceptedEnds('sourceVoltage', { set: '1250', most: '1300', unit: 'V' }))).toEqual([
      undefined,
      '1300',
    ])
  })

  test.each(['testVoltage', 'testCurrent', 'supplyVoltage', 'dwell', 'readAt'] as const)(
    'a %s is not accepted below the value set',
    (name) => {
      expect(written(acceptedEnds(name, { set: '1250', most: '1300', unit: 'V' }))).toEqual(['1250', '1300'])
      expect(written(acceptedEnds(name, { set: '1250', least: '1200', unit: 'V' }))).toEqual(['1200', undefined])
      expect(written(acceptedEnds(name, { set: '1250', unit: 'V' }))).toEqual(['1250', '1250'])
    },
  )

  test('what is expected is the value set where an end is not stated', () => {
    expect(written(plannedEnds({ set: '1250', least: '1200', unit: 'V' }))).toEqual(['1200', '1250'])
    expect(written(plannedEnds({ most: '12', unit: 'V' }))).toEqual([undefined, '12'])
  })
})
