import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import { readQuantity, relations } from '../../src/exact/quantity.ts'
import { type JudgedNumber, type Placing, placeOver, placeUnder } from '../../src/judging/limit.ts'

function numberOf(value: string, unit: string, relation = '='): JudgedNumber {
  const read = readQuantity({ value, unit, relation })
  if (!('quantity' in read)) throw new Error('a number is needed')
  return { numerator: read.quantity.value, divisor: null, relation: read.quantity.relation, isBoundIncluded: false }
}

function limitOf(value: string, unit: string, inclusive = true) {
  return { value: numberOf(value, unit).numerator, inclusive }
}

describe('a number against one limit', () => {
  test.each<[string, string, string, boolean, Placing]>([
    // T22: on the limit, by the limit's own word, and whatever the unit.
    ['0.1000', 'Ohm', '0.100 Ohm', true, 'within'],
    ['0.1000', 'Ohm', '0.100 Ohm', false, 'beyond'],
    ['4.2', 'mA', '0.0042 A', true, 'within'],
    ['3.54', 'mA', '3.5 mA', true, 'beyond'], // T21, absolute.
    ['3.5000000000000000001', 'mA', '3.5 mA', true, 'beyond'],
    ['85', 'mOhm', '0.1 Ohm', true, 'within'], // T18
    ['85', 'MOhm', '0.1 Ohm', true, 'beyond'],
  ])('%s %s under %s, inclusive %s: %s', (value, unit, limit, inclusive, expected) => {
    const [digits = '', code = ''] = limit.split(' ')
    expect(placeUnder(numberOf(value, unit), limitOf(digits, code, inclusive))).toBe(expected)
  })

  // T05 and its mirror: what a bound proves.
  test.each<[string, string, string, Placing]>([
    ['>', '9.99 GOhm', '2 MOhm', 'within'],
    ['>', '9.99 GOhm', '9.99 GOhm', 'within'],
    ['>', '9.99 GOhm', '20 GOhm', 'undecided'],
    ['<', '1 MOhm', '2 MOhm', 'beyond'],
    ['<', '2 MOhm', '2 MOhm', 'beyond'],
    ['<', '3 MOhm', '2 MOhm', 'undecided'],
  ])('%s%s over %s: %s', (relation, number, limit, expected) => {
    const [value = '', unit = ''] = number.split(' ')
    const [digits = '', code = ''] = limit.split(' ')
    for (const inclusive of [true, false]) {
      expect(placeOver(numberOf(value, unit, relation), limitOf(digits, code, inclusive))).toBe(expected)
    }
  })

  test.each<[string, string, string, Placing]>([
    ['<', '0.01 mA', '0.75 mA', 'within'],
    ['<', '0.75 mA', '0.75 mA', 'within'],
    ['<', '1 mA', '0.75 mA', 'undecided'],
    ['>', '10 mA', '5 mA', 'beyond'],
    ['>', '5 mA', '5 mA', 'beyond'],
    ['>', '4.9 mA', '5 mA', 'undecided'],
  ])('%s%s under %s: %s', (relation, number, limit, expected) => {
    const [value = '', unit = ''] = number.split(' ')
    const [digits = '', code = ''] = limit.split(' ')
    for (const inclusive of [true, false]) {
      expect(placeUnder(numberOf(value, unit, relation), limitOf(digits, code, inclusive))).toBe(expected)
    }
  })
})

const rank: Record<Placing, number> = { beyond: 0, undecided: 1, within: 2 }
const tenths = fc.integer({ min: -2_000, max: 2_000 }).map((n) => decimal(n))
const numbers = fc.record({
  numerator: tenths,
  divisor: fc.option(
    fc.integer({ min: 1, max: 50 }).map((n) => decimal(n)),
    { nil: null },
  ),
  relation: fc.constantFrom(...relations),
  isBoundIncluded: fc.boolean(),
})

describe('widening a limit', () => {
  test('never makes a placing worse', () => {
    fc.assert(
      fc.property(numbers, tenths, fc.nat(500), fc.boolean(), (number, value, wider, inclusive) => {
        const raised = { value: decimal(Number(value.coefficient) + wider), inclusive }
        const lowered = { value: decimal(Number(value.coefficient) - wider), inclusive }
        const limit = { value, inclusive }
        expect(rank[placeUnder(number, raised)]).toBeGreaterThanOrEqual(rank[placeUnder(number, limit)])
        expect(rank[placeOver(number, lowered)]).toBeGreaterThanOrEqual(rank[placeOver(number, limit)])
        expect(rank[placeUnder(number, { value, inclusive: true })]).toBeGreaterThanOrEqual(
          rank[placeUnder(number, { value, inclusive: false })],
        )
      }),
    )
  })

  test('a number is never within both an upper and a lower limit that exclude each other', () => {
    fc.assert(
      fc.property(numbers, tenths, (number, value) => {
        const limit = { value, inclusive: false }
        expect([placeUnder(number, limit), placeOver(number, limit)]).not.toEqual(['within', 'within'])
      }),
    )
  })
})
