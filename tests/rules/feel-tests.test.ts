import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import { type Column, compileFlag, compileKinds, compileTest } from '../../src/rules/feel-tests.ts'

const volts: Column = { type: 'number', unit: 'V' }
const words: Column = { type: 'string', words: ['basic', 'double', 'reinforced'] }

function holds(cell: string, column: Column, value: AttributeValue): boolean {
  const made = compileTest(cell, column)
  if ('refusals' in made) throw new Error(JSON.stringify(made.refusals))
  return made.compiled.test(value)
}

describe('tests on numbers', () => {
  test.each<[cell: string, holding: string[], failing: string[]]>([
    ['-', ['-1', '0', '1e9'], []],
    ['150', ['150', '150.000'], ['149.999', '150.001']],
    ['[24..150]', ['24', '100', '150'], ['23.999', '150.0000000000000000000000001']],
    ['(150..250]', ['150.0000000000000000000000001', '250'], ['150', '250.1']],
    [']150..250[', ['200'], ['150', '250']],
    ['< 5', ['4.999', '-6'], ['5', '6']],
    ['<= 5', ['5'], ['5.001']],
    ['> -5', ['-4.999'], ['-5']],
    ['>= -5', ['-5'], ['-5.001']],
    ['1, [3..4], > 9', ['1', '3', '3.5', '4', '9.1'], ['0', '2', '4.1', '9']],
    ['not(1, [3..4])', ['2', '5'], ['1', '3.5']],
  ])('%s', (cell, holding, failing) => {
    for (const value of holding) expect(holds(cell, volts, decimal(value)), value).toBe(true)
    for (const value of failing) expect(holds(cell, volts, decimal(value)), value).toBe(false)
  })

  test('a cell is in the unit of its column, a value in the canonical one', () => {
    expect(holds('[100..200]', { type: 'number', unit: 'mOhm' }, decimal('0.1'))).toBe(true)
    expect(holds('[100..200]', { type: 'number', unit: 'mOhm' }, decimal('0.0999999'))).toBe(false)
    expect(holds('> 4.4', { type: 'number', unit: 'nF' }, decimal('0.0000000044'))).toBe(false)
    expect(holds('<= 20', { type: 'number', unit: '%' }, decimal('0.2'))).toBe(true)
    expect(holds('1.5', { type: 'number', unit: 'min' }, decimal('90'))).toBe(true)
  })

  test('a tenth and two tenths are three tenths', () => {
    expect(holds('0.3', { type: 'number' }, decimal('0.3'))).toBe(true)
    expect(holds('<= 0.3', { type: 'number' }, decimal('0.30000000000000004'))).toBe(false)
  })
})

test('tests on words and truth values', () => {
  expect(holds('"double","reinforced"', words, 'reinforced')).toBe(true)
  expect(holds('"double","reinforced"', words, 'basic')).toBe(false)
  expect(holds('not("double","reinforced")', words, 'basic')).toBe(true)
  expect(holds('true', { type: 'boolean' }, true)).toBe(true)
  expect(holds('false', { type: 'boolean' }, true)).toBe(false)
  expect(holds('not(true)', { type: 'boolean' }, false)).toBe(true)
})

describe('cells that do not fit their column', () => {
  test.each<[cell: string, column: Column, code: string, at: number]>([
    ['[5..1]', volts, 'interval-empty', 0],
    ['1, (5..5]', volts, 'interval-empty', 3],
    ['[5..5)', volts, 'interval-empty', 0],
    ['"7"', volts, 'cell-type', 0],
    ['> "7"', volts, 'cell-type', 2],
    ['1, [2.."3"]', volts, 'cell-type', 7],
    ['true', volts, 'cell-type', 0],
    ['7', words, 'cell-type', 0],
    ['"basic", "singel"', words, 'cell-value', 9],
    ['> "basic"', words, 'cell-type', 0],
    ['["basic".."double"]', words, 'cell-type', 0],
    ['> true', { type: 'boolean' }, 'cell-type', 0],
    ['"true"', { type: 'boolean' }, 'cell-type', 0],
  ])('%s', (cell, column, code, at) => {
    expect(compileTest(cell, column)).toMatchObject({ refusals: [{ code, at }] })
  })

  test('every wrong value of a list is named', () => {
    expect(compileTest('"a", 1, "basic", "b"', words)).toMatchObject({
      refusals: [
        { code: 'cell-value', at: 0 },
        { code: 'cell-type', at: 5 },
        { code: 'cell-value', at: 17 },
      ],
    })
  })

  test('a value of another type than declared is a bug of the caller, not a test that fails', () => {
    expect(() => holds('5', volts, '5')).toThrow(TypeError)
    expect(() => holds('"basic"', words, decimal(5))).toThrow(TypeError)
  })
})

test('a flag is a truth value, kinds are a list of step kinds', () => {
  expect(compileFlag('true')).toEqual({ compiled: true })
  expect(compileFlag('1 + 1')).toMatchObject({ refusals: [{ code: 'cell-type' }] })
  expect(compileFlag('true, false')).toMatchObject({ refusals: [{ code: 'cell-syntax', at: 4 }] })
  expect(compileKinds('"protective-bonding","electric-strength-ac"')).toEqual({
    compiled: ['protective-bonding', 'electric-strength-ac'],
  })
  expect(compileKinds('"bonding"')).toMatchObject({ refusals: [{ code: 'cell-value', at: 0 }] })
  expect(compileKinds('not("inspection")')).toMatchObject({ refusals: [{ code: 'cell-unsupported' }] })
})
