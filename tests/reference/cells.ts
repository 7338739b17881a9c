/** What a cell computes outside any table: for formulas whose attributes are not in the vocabulary as well. */
import { type Decimal, decimal, multiply } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import { readUnit, type UnitCode, units } from '../../src/exact/unit-codes.ts'
import { compileFormula } from '../../src/rules/feel-compile.ts'

export function unitCode(text: string): UnitCode {
  const code = readUnit(text)
  if (typeof code === 'object') throw new Error(`'${text}' is no unit`)
  return code
}

/** What a cell computes from numbers in the units of its columns, in the unit of its own. */
export function computed(
  { cell, unit, inputs }: { cell: string; unit: string; inputs: Readonly<Record<string, string>> },
  given: Readonly<Record<string, string>>,
): Decimal {
  const columns = Object.entries(inputs).map(
    ([name, code]) => [name, { type: 'number' as const, unit: unitCode(code) }] as const,
  )
  const compiled = compileFormula(cell, { unit: unitCode(unit), inputs: new Map(columns) })
  if ('refusals' in compiled) throw new Error(JSON.stringify(compiled.refusals))
  const values = Object.entries(given).map(
    ([name, value]) => [name, multiply(decimal(value), units[unitCode(inputs[name] ?? '')].factor)] as const,
  )
  const result = compiled.compiled.compute(new Map(values))
  if (!('value' in result)) throw new Error(JSON.stringify(result))
  return inUnit(result.value, unitCode(unit))
}
