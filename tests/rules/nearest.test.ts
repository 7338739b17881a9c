import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compare, decimal, multiply, roundDown, roundUp } from '../../src/exact/decimal.ts'
import { type UnitCode, units } from '../../src/exact/unit-codes.ts'
import { type AcceptedValue, compareDemand, type Demand } from '../../src/rules/demand.ts'
import { writeNearest } from '../../src/rules/nearest.ts'

const voltage = (relation: '>=' | '<=' | '=', value: string): Demand => ({
  kind: 'number',
  parameter: 'testVoltage',
  relation,
  unit: 'V',
  value: decimal(value),
})
const range = (lower: string, upper: string, open: 'both' | 'none' = 'none'): Demand => ({
  kind: 'range',
  parameter: 'testVoltage',
  relation: 'in',
  unit: 'V',
  lower: { value: decimal(lower), open: open === 'both' },
  upper: { value: decimal(upper), open: open === 'both' },
})
const window = (least: string | undefined, most: string | undefined): AcceptedValue => ({
  ...(least !== undefined && { least: decimal(least) }),
  ...(most !== undefined && { most: decimal(most) }),
})
const nearest = (demand: Demand, accepted: AcceptedValue, unit?: UnitCode) =>
  writeNearest(compareDemand(demand, accepted), unit)

describe('the nearest conforming value', () => {
  test.each([
    [
      'a least goes up to what is demanded',
      voltage('>=', '1200'),
      window('1100', '1287.5'),
      { least: '1200', most: '1287.5', unit: 'V' },
    ],
    [
      'and takes a most along that it would pass',
      voltage('>=', '1200'),
      window('1000', '1100'),
      { least: '1200', most: '1200', unit: 'V' },
    ],
    ['a most comes down', voltage('<=', '1000'), window('900', '1100'), { least: '900', most: '1000', unit: 'V' }],
    [
      'and takes a least along',
      voltage('<=', '1000'),
      window('1050', '1100'),
      { least: '1000', most: '1000', unit: 'V' },
    ],
    ['one value is both', voltage('=', '1000'), window('990', '1010'), { least: '1000', most: '1000', unit: 'V' }],
    [
      'of a range only the end outside moves',
      range('900', '1000'),
      window('950', '1100'),
      { least: '950', most: '1000', unit: 'V' },
    ],
    [
      'an open end of the window is closed',
      range('900', '1000'),
      window('950', undefined),
      { least: '950', most: '1000', unit: 'V' },
    ],
    [
      'an open end of a range stays open, as no number is nearest',
      range('900', '1000', 'both'),
      window('900', '1100'),
      { above: '900', below: '1000', unit: 'V' },
    ],
    [
      'what the plan leaves out is what is demanded',
      voltage('>=', '1200'),
      'absent' as const,
      { least: '1200', unit: 'V' },
    ],
  ])('%s', (_, demand, accepted, expected) => {
    expect(nearest(demand, accepted)).toEqual(expected)
  })

  test('is there only where something is not met', () => {
    expect(nearest(voltage('>=', '1200'), window('1200', undefined))).toBeNull()
  })

  test('is in the unit of the plan, where its number is exact there', () => {
    expect(nearest(voltage('>=', '1200'), window('1000', '1300'), 'kV')).toEqual({
      least: '1.2',
      most: '1.3',
      unit: 'kV',
    })
    const dwell: Demand = { kind: 'number', parameter: 'dwell', relation: '>=', unit: 's', value: decimal('100') }
    // 100 s are 1.666... min: written so and cut, the plan would fall short of the demand.
    expect(nearest(dwell, window('60', undefined), 'min')).toEqual({ least: '100', unit: 's' })
    expect(nearest({ ...dwell, value: decimal('90') }, window('60', undefined), 'min')).toEqual({
      least: '1.5',
      unit: 'min',
    })
  })

  test('of a parameter that a plan states as one value is one value', () => {
    const trip: Demand = {
      kind: 'number',
      parameter: 'tripCurrent',
      relation: '<=',
      unit: 'mA',
      value: decimal('0.005'),
    }
    expect(nearest(trip, window('0.01', '0.01'))).toEqual({ value: '5', unit: 'mA' })
  })

  test('of a flag is the flag; of step kinds the demand says it', () => {
    const flag: Demand = { kind: 'flag', parameter: 'limitInRamp', relation: '=', flag: true }
    expect(nearest(flag, { flag: false })).toBe(true)
    const kinds: Demand = { kind: 'kinds', parameter: 'stepPresent', relation: 'in', kinds: ['touch-current'] }
    expect(nearest(kinds, { kinds: [] })).toBeNull()
  })

  test('conforms, whatever was accepted and demanded', () => {
    const number = fc.integer({ min: 1, max: 400 }).map(String)
    const demands = fc.oneof(
      fc
        .tuple(fc.constantFrom('>=' as const, '<=' as const, '=' as const), number)
        .map(([relation, value]) => voltage(relation, value)),
      fc
        .tuple(number, number)
        .filter(([a, b]) => Number(a) <= Number(b))
        .map(([a, b]) => range(a, b)),
    )
    const windows = fc
      .tuple(fc.option(number, { nil: undefined }), fc.option(number, { nil: undefined }))
      .filter(([a, b]) => a === undefined || b === undefined || Number(a) <= Number(b))
    fc.assert(
      fc.property(demands, windows, fc.constantFrom<UnitCode>('V', 'kV', 'mV'), (demand, [from, to], unit) => {
        const comparison = compareDemand(demand, window(from, to))
        const written = writeNearest(comparison, unit)
        if (comparison.met) {
          expect(written).toBeNull()
          return
        }
        const ends = written as { least?: string; most?: string }
        const canonical = (text: string | undefined) =>
          text === undefined ? undefined : multiply(decimal(text), units[unit].factor)
        expect(compareDemand(demand, { least: canonical(ends.least), most: canonical(ends.most) }).met).toBe(true)
      }),
    )
  })
})

test('rounding up never gives less, down never more, and both stay within one last place', () => {
  expect([roundUp(decimal('2.1781'), 3), roundDown(decimal('1.3009'), 3), roundUp(decimal('99.91'), 3)]).toEqual([
    decimal('2.18'),
    decimal('1.3'),
    decimal('100'),
  ])
  fc.assert(
    fc.property(
      fc.integer({ min: -99_999_999, max: 99_999_999 }),
      fc.integer({ min: 0, max: 9 }),
      fc.integer({ min: 1, max: 5 }),
      (whole, places, digits) => {
        const value = decimal(`${whole}e-${places}`)
        expect(compare(roundUp(value, digits), value)).toBeGreaterThanOrEqual(0)
        expect(compare(roundDown(value, digits), value)).toBeLessThanOrEqual(0)
        expect(roundUp(roundUp(value, digits), digits)).toEqual(roundUp(value, digits))
      },
    ),
  )
})
