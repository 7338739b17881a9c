/**
 * Formulas as exact functions: what a row demands, and what a plan's limit is worked out from. A formula is checked once;
 * its attributes are taken in the units of their columns, its result to the canonical unit.
 */
import { add, type Decimal, divide, greatest, isZero, least, multiply, negate, subtract } from '../exact/decimal.ts'
import { inUnit } from '../exact/quantity.ts'
import { type UnitCode, units } from '../exact/unit-codes.ts'
import { isProductAttribute, productAttributes } from '../products/attributes.ts'
import type { CellRefusal } from './feel-grammar.ts'
import { type End, type Formula, parseFormula, parseRange } from './feel-parse.ts'
import { type Column, type Compiled, isEmpty } from './feel-tests.ts'
import type { Attributes } from './inputs.ts'

export type Computed =
  | { readonly value: Decimal }
  /** An attribute that the product does not state. */
  | { readonly missing: string }
  | { readonly uncomputable: 'division-by-zero' | 'range-empty' }

export interface CompiledFormula {
  /** The canonical value where the formula takes no attribute. */
  readonly constant: Decimal | undefined
  readonly attributes: readonly string[]
  /** The formula's value in the canonical unit. */
  readonly compute: (attributes: Attributes) => Computed
}

export interface CompiledRange {
  readonly lower: End<CompiledFormula>
  readonly upper: End<CompiledFormula>
}

/** Compiles a demanded number. An attribute stands for its number in the unit of its own input column. */
export function compileFormula(
  cell: string,
  column: { readonly unit: UnitCode; readonly inputs: ReadonlyMap<string, Column> },
): Compiled<CompiledFormula> {
  const parsed = parseFormula(cell)
  if ('refused' in parsed) return { refusals: [parsed.refused] }
  return formulaOf(parsed.tree, column)
}

/** Compiles a demanded range, such as `[45..65]` or `[0.9 * ratedFrequency..1.1 * ratedFrequency]`. */
export function compileRange(
  cell: string,
  column: { readonly unit: UnitCode; readonly inputs: ReadonlyMap<string, Column> },
): Compiled<CompiledRange> {
  const parsed = parseRange(cell)
  if ('refused' in parsed) return { refusals: [parsed.refused] }
  const { tree } = parsed
  const lower = formulaOf(tree.lower.value, column)
  const upper = formulaOf(tree.upper.value, column)
  if ('refusals' in lower || 'refusals' in upper) {
    return { refusals: [lower, upper].flatMap((end) => ('refusals' in end ? end.refusals : [])) }
  }
  const ends = {
    lower: { value: lower.compiled, open: tree.lower.open },
    upper: { value: upper.compiled, open: tree.upper.open },
  }
  const { constant: from } = lower.compiled
  const { constant: to } = upper.compiled
  if (from && to && isEmpty({ value: from, open: ends.lower.open }, { value: to, open: ends.upper.open })) {
    return { refusals: [{ code: 'interval-empty', at: tree.at, detail: 'holds no value' }] }
  }
  return { compiled: ends }
}

/**
 * Compiles the formula of a plan's limit, such as `100 + earthCoreResistance`: every attribute is taken in the limit's
 * unit, so only attributes of its dimension may stand in it.
 */
export function compilePlanFormula(text: string, unit: UnitCode): Compiled<CompiledFormula> {
  const { dimension } = units[unit]
  const parsed = parseFormula(text)
  if ('refused' in parsed) return { refusals: [parsed.refused] }
  const inputs = new Map<string, Column>()
  const refusals: CellRefusal[] = []
  for (const { name, at } of attributesIn(parsed.tree)) {
    const definition = isProductAttribute(name) ? productAttributes[name] : undefined
    if (!definition) continue // Refused as unknown by formulaOf.
    if ('dimension' in definition && definition.dimension === dimension) inputs.set(name, { type: 'number', unit })
    else refusals.push({ code: 'cell-type', at, detail: `'${name}' is no ${dimension}, so has no number in ${unit}` })
  }
  return refusals.length > 0 ? { refusals } : formulaOf(parsed.tree, { unit, inputs })
}

/** Every attribute that a formula names, as often as it does. */
export function attributesIn(formula: Formula): { name: string; at: number }[] {
  switch (formula.kind) {
    case 'attribute':
      return [formula]
    case 'negate':
      return attributesIn(formula.operand)
    case 'arithmetic':
      return [...attributesIn(formula.left), ...attributesIn(formula.right)]
    case 'choice':
      return [formula.first, ...formula.rest].flatMap(attributesIn)
    default:
      return []
  }
}

function formulaOf(
  tree: Formula,
  column: { readonly unit: UnitCode; readonly inputs: ReadonlyMap<string, Column> },
): Compiled<CompiledFormula> {
  const refusals: CellRefusal[] = []
  const names: string[] = []
  const attributeUnits: (UnitCode | undefined)[] = []
  for (const { name, at } of attributesIn(tree)) {
    const input = column.inputs.get(name)
    if (!input) refusals.push({ code: 'attribute-unknown', at, detail: `'${name}' is no attribute known here` })
    else if (input.type !== 'number') {
      refusals.push({ code: 'cell-type', at, detail: `'${name}' is a ${input.type}, no number` })
    } else if (!names.includes(name)) {
      names.push(name)
      attributeUnits.push(input.unit)
    }
  }
  refusals.push(...wordsIn(tree))
  if (refusals.length > 0) return { refusals }

  const step = stepOf(tree, names)
  const { factor } = units[column.unit]
  const finish = (numbers: readonly Decimal[]): Computed => {
    const value = step(numbers)
    return value ? { value: multiply(value, factor) } : { uncomputable: 'division-by-zero' }
  }
  if (names.length === 0) {
    const constant = finish([])
    if (!('value' in constant)) {
      return { refusals: [{ code: 'formula-uncomputable', at: tree.at, detail: 'divides by zero' }] }
    }
    return { compiled: { constant: constant.value, attributes: names, compute: () => constant } }
  }
  const compute = (attributes: Attributes): Computed => {
    const numbers: Decimal[] = []
    for (const [index, name] of names.entries()) {
      const value = attributes.get(name)
      if (value === undefined) return { missing: name }
      if (typeof value !== 'object') throw new TypeError(`attribute ${name} is no number`)
      const unit = attributeUnits[index]
      numbers.push(unit ? inUnit(value, unit) : value)
    }
    return finish(numbers)
  }
  return { compiled: { constant: undefined, attributes: names, compute } }
}

function wordsIn(formula: Formula): CellRefusal[] {
  switch (formula.kind) {
    case 'string':
    case 'boolean':
      return [{ code: 'cell-type', at: formula.at, detail: `a ${formula.kind} stands where a number must` }]
    case 'negate':
      return wordsIn(formula.operand)
    case 'arithmetic':
      return [...wordsIn(formula.left), ...wordsIn(formula.right)]
    case 'choice':
      return [formula.first, ...formula.rest].flatMap(wordsIn)
    default:
      return []
  }
}

/** A formula over the numbers of its attributes, in the order of `names`; undefined where it divides by zero. */
export type Step = (numbers: readonly Decimal[]) => Decimal | undefined

const operations = {
  '+': add,
  '-': subtract,
  '*': multiply,
  '/': (left: Decimal, right: Decimal) => (isZero(right) ? undefined : divide(left, right)),
} as const

/** A checked formula as a function of the numbers of its attributes, in the units of their columns. */
export function stepOf(formula: Formula, names: readonly string[]): Step {
  switch (formula.kind) {
    case 'number': {
      const { value } = formula
      return () => value
    }
    case 'attribute': {
      const index = names.indexOf(formula.name)
      return (numbers) => numbers[index]
    }
    case 'negate': {
      const operand = stepOf(formula.operand, names)
      return (numbers) => {
        const value = operand(numbers)
        return value && negate(value)
      }
    }
    case 'arithmetic':
      return pairStep(operations[formula.operator], stepOf(formula.left, names), stepOf(formula.right, names))
    case 'choice': {
      const choose = formula.name === 'min' ? least : greatest
      return formula.rest.reduce(
        (chosen: Step, next) => pairStep(choose, chosen, stepOf(next, names)),
        stepOf(formula.first, names),
      )
    }
    default:
      throw new TypeError(`a ${formula.kind} passed the check for numbers`)
  }
}

function pairStep(operation: (left: Decimal, right: Decimal) => Decimal | undefined, left: Step, right: Step): Step {
  return (numbers) => {
    const first = left(numbers)
    const second = right(numbers)
    return first && second && operation(first, second)
  }
}
