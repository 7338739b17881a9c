/**
 * The words of a cell as exact functions: unary tests, flags and lists of step kinds. A cell is checked once against its
 * column's type, words and unit; its numbers are taken to canonical units then, so that no value needs converting later.
 */
import { compare, type Decimal, multiply, ONE } from '../exact/decimal.ts'
import { type UnitCode, units } from '../exact/unit-codes.ts'
import type { AttributeValue } from '../products/attributes.ts'
import type { CellRefusal } from './feel-grammar.ts'
import { type End, type Literal, parseFormula, parseUnaryTests, type SimpleTest } from './feel-parse.ts'
import { type StepKind, stepKinds } from './words.ts'

/** What the values in an input column are. A number without a unit is a plain count. */
export type Column =
  | { readonly type: 'string'; readonly words?: readonly string[] | undefined }
  | { readonly type: 'boolean' }
  | { readonly type: 'number'; readonly unit?: UnitCode | undefined }

/** A set of numbers without gaps, in canonical units; an absent end is unbounded. A point has two equal closed ends. */
export interface Span {
  readonly lower?: End<Decimal>
  readonly upper?: End<Decimal>
}

/** The unary tests of one cell. `spans` and `words` are what it lists, for whoever asks about all values at once. */
export interface CompiledTest {
  /** Holds for every value, and for an absent one. */
  readonly any: boolean
  readonly negated: boolean
  readonly spans: readonly Span[]
  readonly words: readonly (string | boolean)[]
  /** Whether the test holds. The value is of the column's type; numbers are canonical. */
  readonly test: (value: AttributeValue) => boolean
}

export type Compiled<Value> = { readonly compiled: Value } | { readonly refusals: readonly CellRefusal[] }

/** Compiles a `when` cell, `values`, or a test of `appliesWhen`. */
export function compileTest(cell: string, column: Column): Compiled<CompiledTest> {
  const parsed = parseUnaryTests(cell)
  if ('refused' in parsed) return { refusals: [parsed.refused] }
  const { tree } = parsed
  if (tree.kind === 'any') {
    return { compiled: { any: true, negated: false, spans: [], words: [], test: () => true } }
  }
  const refusals = tree.tests.flatMap((test) => testRefusals(test, column))
  if (refusals.length > 0) return { refusals }
  const { negated } = tree
  if (column.type === 'number') {
    const factor = column.unit ? units[column.unit].factor : ONE
    const spans = tree.tests.map((test) => spanOf(test, factor))
    return { compiled: { any: false, negated, spans, words: [], test: spansTest(spans, negated) } }
  }
  const words = tree.tests.flatMap((test) => (test.kind === 'equals' ? [wordOf(test.value)] : []))
  const test = (value: AttributeValue) => words.includes(wordIn(value)) !== negated
  return { compiled: { any: false, negated, spans: [], words, test } }
}

/** Compiles a demanded yes or no. */
export function compileFlag(cell: string): Compiled<boolean> {
  const parsed = parseFormula(cell)
  if ('refused' in parsed) return { refusals: [parsed.refused] }
  const { tree } = parsed
  if (tree.kind === 'boolean') return { compiled: tree.value }
  return { refusals: [{ code: 'cell-type', at: tree.at, detail: 'must be true or false' }] }
}

/** Compiles a list of step kinds, one of which is demanded. */
export function compileKinds(cell: string): Compiled<readonly StepKind[]> {
  const compiled = compileTest(cell, { type: 'string', words: stepKinds })
  if ('refusals' in compiled) return compiled
  const kinds = stepKinds.filter((kind) => compiled.compiled.words.includes(kind))
  if (!compiled.compiled.negated) return { compiled: kinds }
  return { refusals: [{ code: 'cell-unsupported', at: 0, detail: 'must list step kinds, without not(...)' }] }
}

/** Whether no number lies between the two ends. */
export function isEmpty(lower: End<Decimal>, upper: End<Decimal>): boolean {
  const side = compare(lower.value, upper.value)
  return side > 0 || (side === 0 && (lower.open || upper.open))
}

/** Whether the column could hold the literal, with the reason why not. */
function literalRefusal(literal: Literal, column: Column): CellRefusal | undefined {
  if (literal.kind !== column.type) {
    return { code: 'cell-type', at: literal.at, detail: `is a ${literal.kind} in a column of type ${column.type}` }
  }
  if (column.type === 'string' && column.words && !column.words.includes(String(literal.value))) {
    return {
      code: 'cell-value',
      at: literal.at,
      detail: `'${String(literal.value)}' is not among ${column.words.join(', ')}`,
    }
  }
  return undefined
}

function testRefusals(test: SimpleTest, column: Column): CellRefusal[] {
  const literals = test.kind === 'interval' ? [test.lower.value, test.upper.value] : [test.value]
  const refusals = literals.flatMap((literal) => literalRefusal(literal, column) ?? [])
  if (refusals.length > 0 || test.kind === 'equals') return refusals
  if (column.type !== 'number') {
    return [{ code: 'cell-type', at: test.at, detail: `a ${column.type} is equal or not, it has no order` }]
  }
  if (test.kind === 'interval') {
    const { lower, upper } = spanOf(test, ONE)
    if (lower && upper && isEmpty(lower, upper)) {
      return [{ code: 'interval-empty', at: test.at, detail: 'holds no value' }]
    }
  }
  return []
}

function numberOf(literal: Literal): Decimal {
  if (literal.kind !== 'number') throw new TypeError(`a ${literal.kind} passed the check for numbers`)
  return literal.value
}

function wordOf(literal: Literal): string | boolean {
  if (literal.kind === 'number') throw new TypeError('a number passed the check for words')
  return literal.value
}

function wordIn(value: AttributeValue): string | boolean {
  if (typeof value === 'object') throw new TypeError('a number stands where a word or truth value was declared')
  return value
}

function spanOf(test: SimpleTest, factor: Decimal): Span {
  const end = (literal: Literal, open: boolean) => ({ value: multiply(numberOf(literal), factor), open })
  switch (test.kind) {
    case 'equals':
      return { lower: end(test.value, false), upper: end(test.value, false) }
    case 'interval':
      return { lower: end(test.lower.value, test.lower.open), upper: end(test.upper.value, test.upper.open) }
    case 'compare': {
      const only = end(test.value, test.operator === '<' || test.operator === '>')
      return test.operator.startsWith('<') ? { upper: only } : { lower: only }
    }
  }
}

/** Whether the number lies in the span. */
export function holdsIn(value: Decimal, { lower, upper }: Span): boolean {
  if (lower) {
    const side = compare(value, lower.value)
    if (side < 0 || (side === 0 && lower.open)) return false
  }
  if (upper) {
    const side = compare(value, upper.value)
    if (side > 0 || (side === 0 && upper.open)) return false
  }
  return true
}

function spansTest(spans: readonly Span[], negated: boolean): (value: AttributeValue) => boolean {
  return (value) => {
    if (typeof value !== 'object') throw new TypeError('a word stands where a number was declared')
    for (const span of spans) if (holdsIn(value, span)) return !negated
    return negated
  }
}
