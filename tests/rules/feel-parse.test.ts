import { describe, expect, test } from 'vitest'
import { parseFormula, parseRange, parseUnaryTests } from '../../src/rules/feel-parse.ts'
import { CELL_MAX } from '../../src/rules/words.ts'

describe('cells that are understood', () => {
  test.each([
    '-',
    ' - ',
    '5',
    '-5',
    '- 5',
    '.5',
    '1e3',
    '"a","b"',
    '"say \\"no\\" or \\\\"',
    'true',
    '< 5',
    '<= -5',
    '> 5',
    '>= 5',
    '[1..2]',
    '(1..2)',
    ']1..2[',
    '[-5..-1]',
    'not("a")',
    'not(> 3, [1..2])',
    '1, [2..3], > 7',
  ])('unary tests %s', (text) => {
    expect(parseUnaryTests(text)).toHaveProperty('tree')
  })

  test('an escaped quote and an escaped backslash are read as themselves', () => {
    const parsed = parseUnaryTests('"say \\"no\\" or \\\\"')
    expect(parsed).toMatchObject({ tree: { tests: [{ value: { value: 'say "no" or \\' } }] } })
  })

  test.each(['5', 'a + 1', '-a', '- -5', '2 - -3', 'a-1-2', '(a)', 'min(5, max(0.75, 0.75 * a))', 'min(1)', 'true'])(
    'formula %s',
    (text) => {
      expect(parseFormula(text)).toHaveProperty('tree')
    },
  )

  test('operators of one rank are taken from the left, a sign before a product', () => {
    expect(parseFormula('8 - 4 - 2')).toMatchObject({ tree: { operator: '-', left: { operator: '-' } } })
    expect(parseFormula('-a * 2')).toMatchObject({ tree: { operator: '*', left: { kind: 'negate' } } })
    expect(parseFormula('1 + 2 * 3')).toMatchObject({ tree: { operator: '+', right: { operator: '*' } } })
  })
})

describe('unary tests that are refused, with the place', () => {
  test.each([
    ['', 'cell-syntax', 0],
    ['   ', 'cell-syntax', 3],
    ['[1..2', 'cell-syntax', 5],
    ['"a" "b"', 'cell-syntax', 4],
    ['"a",', 'cell-syntax', 4],
    ['-, 3', 'cell-syntax', 1],
    ['1..2', 'cell-syntax', 1],
    ['in [1..2]', 'cell-syntax', 0],
    ['[1..2]..3', 'cell-syntax', 6],
    ['"unfinished', 'cell-syntax', 0],
    ['= 5', 'cell-unsupported', 0],
    ['!= 5', 'cell-unsupported', 0],
    ['5 + 1', 'cell-unsupported', 0],
    ['> ratedVoltage', 'cell-unsupported', 2],
    ['[1..ratedVoltage]', 'cell-unsupported', 4],
    ['? > 3', 'cell-unsupported', 0],
    ['null', 'cell-unsupported', 0],
    ['foo(3)', 'cell-unsupported', 0],
    ['not(not(1))', 'cell-unsupported', 4],
    ['not()', 'cell-unsupported', 0],
    ['[1,2]', 'cell-unsupported', 0],
    ['( > 3 )', 'cell-unsupported', 0],
    ['@"2026-03-16"', 'cell-unsupported', 0],
    ['1, /* why */ 2', 'cell-unsupported', 3],
    ['3 // why', 'cell-unsupported', 2],
    ['1, "a\\tb"', 'cell-unsupported', 5],
    ['1, 0123', 'cell-value', 3],
    [`1, ${'9'.repeat(31)}`, 'cell-value', 3],
    ['1e31', 'cell-value', 0],
    [`"${'a'.repeat(CELL_MAX)}"`, 'cell-syntax', CELL_MAX],
  ])('%s', (text, code, at) => {
    expect(parseUnaryTests(text)).toMatchObject({ refused: { code, at } })
  })
})

describe('formulas that are refused, with the place', () => {
  test.each([
    ['', 'cell-syntax', 0],
    ['a +', 'cell-syntax', 3],
    ['(a', 'cell-syntax', 2],
    ['2a', 'cell-syntax', 1],
    ['1 2', 'cell-syntax', 2],
    ['5;', 'cell-syntax', 1],
    ['min(a,)', 'cell-syntax', 6],
    ['2 + a ** 2', 'cell-unsupported', 6],
    ['+5', 'cell-unsupported', 0],
    ['2 + sqrt(a)', 'cell-unsupported', 4],
    ['min()', 'cell-unsupported', 4],
    ['min(list: [1, 2])', 'cell-unsupported', 4],
    ['min([1, 2])', 'cell-unsupported', 4],
    ['if a then 1 else 2', 'cell-unsupported', 0],
    ['for x in a return x', 'cell-unsupported', 0],
    ['some x in a satisfies x', 'cell-unsupported', 0],
    ['{a: 1}', 'cell-unsupported', 0],
    ['a.b', 'cell-unsupported', 0],
    ['a = 2', 'cell-unsupported', 0],
    ['a and b', 'cell-unsupported', 0],
    ['[45..65]', 'cell-unsupported', 0],
    ['date("2026-03-16")', 'cell-unsupported', 0],
    ['1 + null', 'cell-unsupported', 4],
    [`${'('.repeat(100)}1${')'.repeat(100)}`, 'cell-unsupported', 79],
    [`${'-'.repeat(300)}1`, 'cell-unsupported', 79],
  ])('%s', (text, code, at) => {
    expect(parseFormula(text)).toMatchObject({ refused: { code, at } })
  })

  test.each([
    ['45', 'cell-type'],
    ['> 45', 'cell-type'],
    ['[45..65], [70..80]', 'cell-syntax'],
    ['[45..]', 'cell-syntax'],
  ])('range %s', (text, code) => {
    expect(parseRange(text)).toMatchObject({ refused: { code } })
  })
})
