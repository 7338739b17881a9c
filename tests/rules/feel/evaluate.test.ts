import { describe, expect, test } from 'vitest'
import { decimal, formatDecimal } from '../../../src/exact/decimal.ts'
import { evaluateExpression, parseExpression } from '../../../src/rules/feel/evaluate.ts'
import { isNumber } from '../../../src/rules/feel/values.ts'
import { feel, type Plain, plain } from '../dmn/models.ts'

function value(text: string, given: Readonly<Record<string, Plain>> = {}) {
  const parsed = parseExpression(text, given)
  if (!('tree' in parsed)) throw new Error(`${text}: ${JSON.stringify(parsed.refused)}`)
  return evaluateExpression(parsed.tree, new Map(Object.entries(given).map(([name, one]) => [name, feel(one)])))
}

const said = (text: string, given: Readonly<Record<string, Plain>> = {}) => {
  const made = value(text, given)
  return isNumber(made) ? formatDecimal(made) : plain(made)
}

// Meanings from OMG DMN 1.5, section 10.3 (from memory, verify); numbers worked out by hand.
describe('numbers are decimals', () => {
  test.each([
    ['0.1 + 0.2', '0.3'],
    ['1 / 3', '0.3333333333333333333333333333333333'],
    ['2 ** 10', '1024'],
    ['2 ** -2', '0.25'],
    ['2 ** 0.5', null],
    ['1 / 0', null],
    ['-(3)', '-3'],
    ['"a" + 1', null],
    ['"a" + "b"', 'ab'],
    ['decimal(0.125, 2)', '0.12'],
    ['decimal(0.135, 2)', '0.14'],
    ['decimal(2.5, 0)', '2'],
    ['decimal(-2.5, 0)', '-2'],
    ['decimal(-2.51, 0)', '-3'],
    ['floor(1.5)', '1'],
    ['floor(-1.5)', '-2'],
    ['ceiling(1.5)', '2'],
    ['ceiling(-1.5)', '-1'],
    ['modulo(12, 5)', '2'],
    ['modulo(-12, 5)', '3'],
    ['modulo(12, -5)', '-3'],
    ['modulo(10.1, 4.5)', '1.1'],
    ['modulo(1, 0)', null],
    ['abs(-10)', '10'],
    ['mean(1, 2, 6)', '3'],
    ['sum([1, 2, "a"])', null],
    ['min([])', null],
    ['number("1.50")', '1.5'],
  ])('%s', (text, expected) => {
    expect(said(text)).toBe(expected)
  })
})

describe('truth has three values', () => {
  test.each([
    ['true and null', null],
    ['false and null', false],
    ['true or null', true],
    ['false or null', null],
    ['not(null)', null],
    ['null = null', true],
    ['1 = null', false],
    ['1 = "1"', null],
    ['1 < "2"', null],
    ['[1, 2] = [1, 2]', true],
    ['{a: 1} = {a: 1.0}', true],
    ['{a: 1} = {b: 1}', false],
    ['all([true, null])', null],
    ['any([true, null])', true],
    ['if null then 1 else 2', '2'],
  ])('%s', (text, expected) => {
    expect(said(text)).toBe(expected)
  })
})

describe('lists, contexts, loops and functions', () => {
  test.each<[string, unknown]>([
    ['[1, 2, 3][2]', '2'],
    ['[1, 2, 3][-1]', '3'],
    ['[1, 2, 3][4]', null],
    ['[1, 2, 3][item >= 2]', [2, 3]],
    ['[{a: 1, b: 2}, {a: 3, b: 4}][a > 1].b', [4]],
    ['{a: 1, b: a + 1}.b', '2'],
    ['{"a b": 5}.a b', '5'],
    ['for x in [1, 2], y in 1..2 return x * y', [1, 2, 2, 4]],
    ['for x in 3..1 return x', [3, 2, 1]],
    ['for x in 1..1000000000 return x', null],
    ['some x in [1, 2] satisfies x > 1', true],
    ['every x in [1, 2] satisfies x > 1', false],
    ['(function(a, b) a - b)(5, 3)', '2'],
    ['{f: function(a, b) a - b, r: f(b: 5, a: 3)}.r', '-2'],
    ['append([1], 2, 3)', [1, 2, 3]],
    ['concatenate([1], [2, 3])', [1, 2, 3]],
    ['union([1, 2], [2, 3])', [1, 2, 3]],
    ['distinct values([1, 1.0, 2])', [1, 2]],
    ['index of([1, 2, 1], 1)', [1, 3]],
    ['reverse([1, 2])', [2, 1]],
    ['sort([3, 1, 2])', [1, 2, 3]],
    ['sort([3, 1, 2], function(x, y) x > y)', [3, 2, 1]],
    ['sort([{a: 2}, {a: 1}], function(x, y) x.a < y.a).a', [1, 2]],
    ['flatten([1, [2, [3]]])', [1, 2, 3]],
    ['sublist([4, 5, 6], 2)', [5, 6]],
    ['sublist([4, 5, 6], -2, 1)', [5]],
    ['sublist([4, 5, 6], 4)', null],
    ['insert before([1, 3], 2, 2)', [1, 2, 3]],
    ['remove([1, 2, 3], -1)', [1, 2]],
    ['remove([1], 2)', null],
    ['string join(["a", "b"], ", ")', 'a, b'],
    ['string join(["a", 1])', null],
    ['product(2, 3, 4)', '24'],
    ['get value({a: 7}, "a")', '7'],
    ['substring("foobar", 3)', 'obar'],
    ['substring("foobar", -2, 1)', 'a'],
    ['substring("\u{1F40E}ab", 2)', 'ab'],
    ['string length("\u{1F40E}ab")', '3'],
    ['substring before("foobar", "bar")', 'foo'],
    ['substring after("foobar", "ob")', 'ar'],
    ['upper case("aBc4")', 'ABC4'],
    ['contains("foobar", "of")', false],
    ['string(1.10)', '1.1'],
    ['is(1, 1.0)', true],
    ['nothing known(1)', null],
    ['"\\u0041\\n\\"\\\\"', 'A\n"\\'],
  ])('%s', (text, expected) => {
    expect(said(text)).toEqual(expected)
  })
})

describe('dates, times and lengths of time', () => {
  test.each([
    ['date("2024-02-29") < date("2024-03-01")', true],
    ['date("2023-02-29")', null],
    ['date("2024-13-01")', null],
    ['date(2024, 2, 29) = @"2024-02-29"', true],
    ['@"2024-03-01" - @"2024-02-28" = duration("P2D")', true],
    ['@"2024-01-31" + @"P1M" = @"2024-02-29"', true],
    ['@"2024-03-31" - @"P1Y1M" = @"2023-02-28"', true],
    ['@"-0001-03-01" < @"0000-02-29"', true],
    ['time("10:00:00+01:00") = time("09:00:00Z")', true],
    ['time("10:00:00") = time("10:00:00Z")', false],
    ['time("10:00:00") < time("10:00:00Z")', null],
    ['time("24:00:00")', null],
    ['time("10:00:60")', null],
    ['date and time("2024-06-01T12:00:00+02:00") = date and time("2024-06-01T10:00:00Z")', true],
    ['date and time("2024-06-01T00:00:00") = date and time(@"2024-06-01", time("00:00:00"))', true],
    ['date(date and time("2024-06-01T10:00:00")) = @"2024-06-01"', true],
    ['date("2024-06-01").month', '6'],
    ['time("10:11:12.5").second', '12.5'],
    ['duration("P1DT2H") > duration("PT25H59M59.9S")', true],
    ['duration("P1Y2M") = duration("P14M")', true],
    ['duration("P1Y") = duration("P365D")', null],
    ['duration("P")', null],
    ['duration("PT")', null],
    ['duration("-PT1S") < duration("PT0S")', true],
    ['@"2024-06-01" in [@"2024-01-01"..@"2024-12-31"]', true],
  ])('%s', (text, expected) => {
    expect(said(text)).toBe(expected)
  })
})

test('a loan is paid back in the same instalments, to the digits of a double', () => {
  const text = '(p * r / 12) / (1 - (1 + r / 12) ** -n)'
  const exact = value(text, { p: 100_000, r: 0.06, n: 360 })
  expect(Number(isNumber(exact) && formatDecimal(exact))).toBeCloseTo((100_000 * 0.005) / (1 - 1.005 ** -360), 9)
})

test('what is nested too deep or too long is refused', () => {
  expect(parseExpression('('.repeat(200), {})).toHaveProperty('refused')
  expect(parseExpression(`1${' + 1'.repeat(20_000)}`, {})).toHaveProperty('refused')
})

test('a power with a huge exponent gives nothing, and soon', () => {
  expect(value('1.1 ** 1000000000')).toBe(null)
  expect(value('a ** 9999', { a: 9 })).not.toEqual(decimal(0))
})
