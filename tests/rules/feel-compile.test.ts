import { describe, expect, test } from 'vitest'
import { decimal, formatDecimal } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import type { UnitCode } from '../../src/exact/unit-codes.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import { type CompiledFormula, compileFormula, compilePlanFormula, compileRange } from '../../src/rules/feel-compile.ts'
import type { Column, Compiled } from '../../src/rules/feel-tests.ts'

const inputs = new Map<string, Column>([
  ['ratedVoltage', { type: 'number', unit: 'V' }],
  ['ratedPower', { type: 'number', unit: 'kW' }],
  ['earthCoreResistance', { type: 'number', unit: 'mOhm' }],
  ['phases', { type: 'number' }],
  ['family', { type: 'string' }],
])

const attributes = new Map<string, AttributeValue>([
  ['ratedVoltage', decimal('230')],
  ['ratedPower', decimal('1200')], // Watts, the canonical unit.
  ['earthCoreResistance', decimal('0.0585')], // Ohms.
  ['phases', decimal('1')],
])

/** The formula's value in `unit`, as text. */
function numberOf(made: Compiled<CompiledFormula>, unit: UnitCode): string {
  if ('refusals' in made) throw new Error(JSON.stringify(made.refusals))
  const computed = made.compiled.compute(attributes)
  if (!('value' in computed)) throw new Error(JSON.stringify(computed))
  return formatDecimal(inUnit(computed.value, unit))
}

describe('formulas of a table', () => {
  test.each<[formula: string, unit: UnitCode, value: string]>([
    ['800', 'V', '800'],
    ['500 + 2 * ratedVoltage', 'V', '960'],
    ['1.2 * (500 + 2 * ratedVoltage)', 'V', '1152'],
    ['1.414 * 1500', 'V', '2121'],
    // An attribute stands for its number in its own column's unit, the result is in the output's: 0.75 mA per kW.
    ['min(5, max(0.75, 0.75 * ratedPower))', 'mA', '0.9'],
    ['100 + earthCoreResistance', 'mOhm', '158.5'],
    ['ratedVoltage / 3', 'V', '76.66666666666666666666666666666667'],
    ['-ratedVoltage + 300', 'V', '70'],
    ['2 - 3 - 4', 'V', '-5'],
    ['8 / 4 / 2', 'V', '1'],
    ['0.1 + 0.2', 's', '0.3'],
    ['ratedVoltage * phases', 'V', '230'],
    ['max(1)', 's', '1'],
    ['min(3, 1, 2)', 's', '1'],
    ['1.5', 'min', '1.5'],
  ])('%s in %s', (formula, unit, value) => {
    expect(numberOf(compileFormula(formula, { unit, inputs }), unit)).toBe(value)
  })

  test('a constant is worked out once', () => {
    const made = compileFormula('2 * 3', { unit: 'mA', inputs })
    expect('compiled' in made && made.compiled.constant && formatDecimal(made.compiled.constant)).toBe('0.006')
  })

  test('a missing attribute and a division by zero are answers, not numbers', () => {
    const missing = compileFormula('ratedVoltage + earthCoreResistance', { unit: 'V', inputs })
    expect('compiled' in missing && missing.compiled.compute(new Map([['ratedVoltage', decimal(1)]]))).toEqual({
      missing: 'earthCoreResistance',
    })
    const byZero = compileFormula('min(1, 5 / (phases - 1))', { unit: 'V', inputs })
    expect('compiled' in byZero && byZero.compiled.compute(attributes)).toEqual({ uncomputable: 'division-by-zero' })
  })

  test.each([
    ['500 + ratedCurrent', 'attribute-unknown', 6],
    ['500 + rated voltage', 'attribute-unknown', 6],
    ['constructor', 'attribute-unknown', 0],
    ['__proto__ + 1', 'attribute-unknown', 0],
    ['min', 'attribute-unknown', 0],
    ['1 + family', 'cell-type', 4],
    ['1 + "230"', 'cell-type', 4],
    ['true', 'cell-type', 0],
    ['1 / (2 - 2)', 'formula-uncomputable', 2],
  ])('%s is refused', (formula, code, at) => {
    expect(compileFormula(formula, { unit: 'V', inputs })).toMatchObject({ refusals: [{ code, at }] })
  })
})

describe('ranges of a table', () => {
  test('ends are constants or formulas, open or closed', () => {
    const made = compileRange('[0.9 * ratedVoltage..1.1 * ratedVoltage)', { unit: 'V', inputs })
    expect(made).toMatchObject({ compiled: { lower: { open: false }, upper: { open: true } } })
    if ('refusals' in made) throw new Error('refused')
    expect(made.compiled.lower.value.compute(attributes)).toEqual({ value: decimal('207') })
    expect(made.compiled.upper.value.compute(attributes)).toEqual({ value: decimal('253') })
  })

  test.each([
    ['[65..45]', 'interval-empty'],
    ['(45..45]', 'interval-empty'],
    ['[45.."65"]', 'cell-type'],
    ['[45..nothing]', 'attribute-unknown'],
    ['45', 'cell-type'],
  ])('%s is refused', (cell, code) => {
    expect(compileRange(cell, { unit: 'Hz', inputs })).toMatchObject({ refusals: [{ code }] })
  })
})

describe("formulas of a plan's limit", () => {
  test('every attribute is taken in the unit of the limit', () => {
    // The two variants of the published example: 158.5 and 197.5 mOhm.
    expect(numberOf(compilePlanFormula('100 + earthCoreResistance', 'mOhm'), 'mOhm')).toBe('158.5')
    expect(numberOf(compilePlanFormula('0.1 + earthCoreResistance', 'Ohm'), 'mOhm')).toBe('158.5')
    const made = compilePlanFormula('100 + earthCoreResistance', 'mOhm')
    expect('compiled' in made && made.compiled.compute(new Map([['earthCoreResistance', decimal('0.0975')]]))).toEqual({
      value: decimal('0.1975'),
    })
  })

  test.each([
    ['100 + ratedVoltage', 'cell-type', 6],
    ['100 * phases', 'cell-type', 6],
    ['100 + protectionClass', 'cell-type', 6],
    ['100 + corResistance', 'attribute-unknown', 6],
    ['100 +', 'cell-syntax', 5],
  ])('%s is refused', (formula, code, at) => {
    expect(compilePlanFormula(formula, 'mOhm')).toMatchObject({ refusals: [{ code, at }] })
  })
})
