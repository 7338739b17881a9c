import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compare, decimal, formatDecimal } from '../../src/exact/decimal.ts'
import type { Relation } from '../../src/exact/quantity.ts'
import type { Room } from '../../src/proposal/bounds.ts'
import { distributionOf, type StoredNumber } from '../../src/proposal/distribution.ts'
import { lowerLimit, upperLimit } from '../../src/proposal/limits.ts'
import { byDefault, written } from '../../src/proposal/said.ts'

/** So many readings in milliamperes, one hundredth apart. */
function readings(count: number, first: number, relation: Relation = '='): StoredNumber[] {
  return Array.from({ length: count }, (_, index) => ({ value: decimal(`${first + index}e-5`), relation }))
}

const shown = (value: Parameters<typeof written>[0] | undefined) => value && written(value, 'mA')

describe('the distribution of readings', () => {
  test('by hand: thirty of 1.60 to 1.89 mA', () => {
    const found = distributionOf(readings(30, 160))
    expect(found).toMatchObject({ count: 30, censoredCount: 0, method: 'robust' })
    // 1.745 - 3 * (1.745 - 1.6460085), where 1.6460085 stands at place 29 * 0.15865 = 4.60085.
    expect([found?.lower, found?.median, found?.upper].map(shown)).toEqual(['1.4480255', '1.745', '2.0419745'])
  })

  test('is observed where there are a thousand', () => {
    const found = distributionOf(readings(1001, 1000))
    // Place 1000 * 0.00135 = 1.35, and 998.65.
    expect([found?.method, ...[found?.lower, found?.upper].map(shown)]).toEqual(['quantiles', '10.0135', '19.9865'])
  })

  test('is not read out of 29', () => {
    expect(distributionOf(readings(29, 160))).toBeUndefined()
  })

  test('one odd reading moves no robust bound, but none lies inside it', () => {
    const odd = distributionOf([...readings(30, 160), ...readings(1, 900)])
    expect(shown(odd?.upper)).toBe('9')
    expect(compare(odd?.median ?? decimal(0), decimal('0.00176'))).toBeLessThan(0)
  })

  test('a bound has a place and no number', () => {
    const above = distributionOf([...readings(28, 160), ...readings(6, 100, '>')])
    expect(above).toMatchObject({ count: 34, censoredCount: 6, upper: undefined })
    expect(above?.lower).toBeDefined()
    const below = distributionOf([...readings(28, 160), ...readings(6, 900, '<')])
    expect(below).toMatchObject({ lower: undefined })
    expect(below?.upper).toBeDefined()
    // More bounds than numbers: the median is none.
    expect(distributionOf([...readings(10, 160), ...readings(30, 100, '>')])).toBeUndefined()
  })

  test('no lower bound at or below zero', () => {
    const wide = Array.from({ length: 30 }, (_, index) => ({
      value: decimal(index < 15 ? 1 : 100),
      relation: '=' as const,
    }))
    expect(distributionOf(wide)).toMatchObject({ lower: undefined })
  })
})

const noRule: Room = {}
function rule(end: 'lower' | 'upper', value: string): Room {
  const source = { table: 't', edition: 1, row: 'r', document: null, documentEdition: null, clause: null }
  return { [end]: { value: decimal(value), isOpen: false, origin: { rule: source, demands: 'a number', instead: '' } } }
}
const otherwise = { value: decimal('0.005'), why: byDefault('5 mA.') }

describe('an upper limit', () => {
  const limit = (room: Room, given: Partial<Parameters<typeof upperLimit>[1]> = {}) => {
    const { value, why } = upperLimit(room, { otherwise, computed: 'by hand', ...given }, 'mA')
    return `${written(value, 'mA')} ${why.source}`
  }
  const measured = distributionOf(readings(30, 160))
  const greatest = decimal('0.002162')

  test.each([
    ['of nothing known is the usual one', noRule, {}, '5 default'],
    ['is that of the rule', rule('upper', '0.003'), {}, '3 rule'],
    ['lies a quarter above what a sound unit draws', rule('upper', '0.01'), { greatest }, '2.8 physics'],
    ['is tighter where readings are', rule('upper', '0.01'), { greatest, readings: measured }, '2.6 readings'],
    [
      'but not below what a sound unit may draw',
      noRule,
      { greatest: decimal('0.0027'), readings: measured },
      '2.7 physics',
    ],
    ['and never beyond the rule', rule('upper', '0.002'), { greatest, readings: measured }, '2 rule'],
    ['nor beyond the trip', noRule, { trip: decimal('0.004') }, '4 default'],
  ])('%s', (_, room, given, expected) => {
    expect(limit(room, given)).toBe(expected)
  })

  test('a widened rule never tightens it', () => {
    fc.assert(
      fc.property(fc.integer({ min: 1, max: 9_000 }), fc.integer({ min: 0, max: 9_000 }), (least, more) => {
        const at = (microamperes: number) =>
          upperLimit(
            rule('upper', `${microamperes}e-6`),
            { otherwise, greatest, computed: '', readings: measured },
            'mA',
          ).value
        expect(compare(at(least + more), at(least))).toBeGreaterThanOrEqual(0)
        expect(compare(at(least), decimal(`${least}e-6`))).toBeLessThanOrEqual(0)
      }),
    )
  })
})

test('a lower limit is the greater of the rule and what units read, a quarter off', () => {
  const limit = (room: Room, numbers: readonly StoredNumber[]) => {
    const { value, why } = lowerLimit(room, { readings: distributionOf(numbers), otherwise }, 'mA')
    return `${formatDecimal(value)} ${why.source}`
  }
  // 1.4480255 mA / 1.25 = 1.158..., down to two digits.
  expect(limit(rule('lower', '0.001'), readings(30, 160))).toBe('0.0011 readings')
  expect(limit(rule('lower', '0.0012'), readings(30, 160))).toBe('0.0012 rule')
  expect(limit(rule('lower', '0.001'), readings(30, 160, '>'))).toBe('0.001 rule')
})
