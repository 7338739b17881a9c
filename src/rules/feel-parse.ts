/**
 * Cells of a rule table as small syntax trees. What of FEEL a rule table may say is this file's: unary tests over
 * literals, and formulas of + - * / min max over numbers and attributes (OMG DMN 1.5, sections 7.3 and 10.3). Everything
 * else that FEEL knows is refused with its position, so that no cell is ever half understood.
 */
import { type Decimal, negate, parseDecimal } from '../exact/decimal.ts'
import { only, type Parsed, type Part, parseFeel, refuse } from './feel-grammar.ts'
import { CELL_MAX } from './words.ts'

export type Literal =
  | { readonly kind: 'number'; readonly value: Decimal; readonly at: number }
  | { readonly kind: 'string'; readonly value: string; readonly at: number }
  | { readonly kind: 'boolean'; readonly value: boolean; readonly at: number }

export type Comparison = '<' | '<=' | '>' | '>='

/** One end of an interval. An open end is not part of it. */
export interface End<Value> {
  readonly value: Value
  readonly open: boolean
}

export type SimpleTest =
  | { readonly kind: 'equals'; readonly value: Literal }
  | { readonly kind: 'compare'; readonly operator: Comparison; readonly value: Literal; readonly at: number }
  | { readonly kind: 'interval'; readonly lower: End<Literal>; readonly upper: End<Literal>; readonly at: number }

/** A list is a disjunction: one of its tests must hold or, negated, none. */
export type UnaryTests =
  | { readonly kind: 'any' }
  | { readonly kind: 'list'; readonly negated: boolean; readonly tests: readonly SimpleTest[] }

export type Formula =
  | Literal
  | { readonly kind: 'attribute'; readonly name: string; readonly at: number }
  | { readonly kind: 'negate'; readonly operand: Formula; readonly at: number }
  | {
      readonly kind: 'arithmetic'
      readonly operator: '+' | '-' | '*' | '/'
      readonly left: Formula
      readonly right: Formula
      readonly at: number
    }
  | {
      readonly kind: 'choice'
      readonly name: 'min' | 'max'
      readonly first: Formula
      readonly rest: readonly Formula[]
      readonly at: number
    }

export interface Range {
  readonly lower: End<Formula>
  readonly upper: End<Formula>
  readonly at: number
}

const tests = { top: 'UnaryTests', lengthMax: CELL_MAX } as const
const expression = { top: 'Expression', lengthMax: CELL_MAX } as const

/** Parses what stands in a `when` cell, in `values` or in `appliesWhen`: unary tests over literals, or `-`. */
export function parseUnaryTests(text: string): Parsed<UnaryTests> {
  return parseFeel(text, tests, (top) => {
    const [first, ...others] = top.children
    if (first?.name === 'Wildcard') return { kind: 'any' }
    if (first?.name === 'not') {
      const inner = others.find((part) => part.name === 'PositiveUnaryTests')
      return { kind: 'list', negated: true, tests: readTests(inner ?? top) }
    }
    return { kind: 'list', negated: false, tests: readTests(first ?? top) }
  })
}

/** Parses a demanded value: a formula over numbers and attributes, or a literal. */
export function parseFormula(text: string): Parsed<Formula> {
  return parseFeel(text, expression, (top) => readFormula(only(top)))
}

/** Parses a demanded range such as `[45..65]`, whose ends may be formulas. */
export function parseRange(text: string): Parsed<Range> {
  return parseFeel(text, expression, (top) => {
    const whole = only(top)
    const part = whole.name === 'SimplePositiveUnaryTest' ? (whole.children[0] ?? whole) : whole
    if (part.name !== 'Interval') refuse('cell-type', part.at, 'must be a range such as [45..65]')
    return { ...readEnds(part, readFormula), at: part.at }
  })
}

function readTests(part: Part): SimpleTest[] {
  if (part.name !== 'PositiveUnaryTests') refuse('cell-unsupported', part.at, 'is no list of tests')
  return part.children.map((test) => {
    if (test.name !== 'PositiveUnaryTest') refuse('cell-unsupported', test.at, 'is no test')
    const inner = only(test)
    if (inner.name !== 'SimplePositiveUnaryTest') return { kind: 'equals', value: readLiteral(inner) }
    return readSimpleTest(inner)
  })
}

function readSimpleTest(part: Part): SimpleTest {
  const [first, second, ...others] = part.children
  if (first?.name === 'Interval' && !second) return { kind: 'interval', ...readEnds(first, readLiteral), at: first.at }
  if (first?.name !== 'CompareOp' || !second || others.length > 0) {
    return refuse('cell-unsupported', part.at, 'is neither a comparison nor an interval')
  }
  const operator = first.text
  if (operator !== '<' && operator !== '<=' && operator !== '>' && operator !== '>=') {
    return refuse(
      'cell-unsupported',
      first.at,
      `'${operator}' does not stand in a unary test; write the value, or not(...)`,
    )
  }
  return { kind: 'compare', operator, value: readLiteral(second), at: part.at }
}

function readEnds<Value>(part: Part, read: (part: Part) => Value): { lower: End<Value>; upper: End<Value> } {
  const [opening, lower, dots, upper, closing] = part.children
  if (!opening || !lower || dots?.name !== '..' || !upper || !closing) {
    return refuse('cell-syntax', part.at, 'is no interval')
  }
  return {
    lower: { value: read(lower), open: opening.name !== '[' },
    upper: { value: read(upper), open: closing.name !== ']' },
  }
}

function readLiteral(part: Part): Literal {
  switch (part.name) {
    case 'NumericLiteral':
      return { kind: 'number', value: readNumber(part), at: part.at }
    case 'StringLiteral':
      return { kind: 'string', value: readString(part), at: part.at }
    case 'BooleanLiteral':
      return { kind: 'boolean', value: part.text === 'true', at: part.at }
    default:
      return refuse('cell-unsupported', part.at, `'${part.text}' is no number, text or truth value written out`)
  }
}

function readFormula(part: Part): Formula {
  switch (part.name) {
    case 'ParenthesizedExpression': {
      const [, inner, closing] = part.children
      if (!inner || closing?.name !== ')') return refuse('cell-syntax', part.at, 'is no single value in parentheses')
      return readFormula(inner)
    }
    case 'VariableName':
      return { kind: 'attribute', name: part.text, at: part.at }
    case 'ArithmeticExpression':
      return readArithmetic(part)
    case 'FunctionInvocation':
      return readChoice(part)
    default:
      return readLiteral(part)
  }
}

function readArithmetic(part: Part): Formula {
  const [first, second, third] = part.children
  if (first?.name === 'ArithOp') {
    if (first.text !== '-' || !second)
      return refuse('cell-unsupported', part.at, `'${first.text}' needs a number before it`)
    return { kind: 'negate', operand: readFormula(second), at: part.at }
  }
  if (!first || !second || !third) return refuse('cell-syntax', part.at, 'is no arithmetic')
  const operator = second.text
  if (operator !== '+' && operator !== '-' && operator !== '*' && operator !== '/') {
    return refuse('cell-unsupported', second.at, `the operator '${operator}' is not among + - * /`)
  }
  return { kind: 'arithmetic', operator, left: readFormula(first), right: readFormula(third), at: second.at }
}

function readChoice(part: Part): Formula {
  const [called, , given] = part.children
  const name = called?.text
  if (name !== 'min' && name !== 'max') {
    return refuse('cell-unsupported', part.at, `the function '${name}' is not among min, max`)
  }
  if (given?.name !== 'PositionalParameters') {
    return refuse('cell-unsupported', given?.at ?? part.at, `${name} takes its numbers in order, without names`)
  }
  const [first, ...rest] = given.children.map(readFormula)
  if (!first) return refuse('cell-unsupported', given.at, `${name} needs at least one number`)
  return { kind: 'choice', name, first, rest, at: part.at }
}

/** The grammar keeps a sign inside the literal, perhaps with blanks after it, and lets a leading zero be left out. */
function readNumber(part: Part): Decimal {
  const negative = part.children[0]?.name === 'ArithOp'
  const digits = negative ? part.text.slice(1).trim() : part.text
  const value = parseDecimal(digits.startsWith('.') ? `0${digits}` : digits)
  if (!value) return refuse('cell-value', part.at, `'${part.text}' is no number of at most 30 digits`)
  return negative ? negate(value) : value
}

function readString(part: Part): string {
  const inner = part.text.slice(1, -1)
  const understood = /^(?:[^\\]|\\["\\])*/.exec(inner)?.[0].length ?? 0
  if (understood < inner.length) {
    return refuse('cell-unsupported', part.at + 1 + understood, 'only \\" and \\\\ may be escaped')
  }
  return inner.replaceAll(/\\(["\\])/g, '$1')
}
