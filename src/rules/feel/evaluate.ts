/**
 * Any FEEL expression over given values, exact. Cells of a rule table take the narrower and typed way through
 * `feel-parse.ts`; this one is for decision tables as others write them, where a name may hold anything. As the standard
 * asks (OMG DMN 1.5, section 10.3), what cannot be computed is null.
 */
import { decimal, negate } from '../../exact/decimal.ts'
import { type Parsed, type Part, parseFeel } from '../feel-grammar.ts'
import { atLiteral, feelFunctions } from './functions.ts'
import { compared, computed, LOOPS_MAX, numberIn, textIn } from './operators.ts'
import { temporalSum } from './temporal.ts'
import {
  compare,
  equal,
  type FeelContext,
  type FeelFunction,
  type FeelRange,
  type FeelValue,
  inRange,
  isList,
  isNumber,
  isTemporal,
  kindOf,
} from './values.ts'

export type Scope = ReadonlyMap<string, FeelValue>

/** A parsed text, to be evaluated in any scope that has the names it was parsed with. */
export type FeelCode = Part

/** Expressions of a model; cells of rule tables are shorter. */
const TEXT_MAX = 20_000

export function parseExpression(text: string, names: Readonly<Record<string, unknown>>): Parsed<FeelCode> {
  return parseFeel(
    text,
    { top: 'Expression', lengthMax: TEXT_MAX, names: { ...functionNames, ...names } },
    (top) => top,
  )
}

export function parseTests(text: string, names: Readonly<Record<string, unknown>>): Parsed<FeelCode> {
  const known = { ...functionNames, ...names, '?': null }
  return parseFeel(text, { top: 'UnaryTests', lengthMax: TEXT_MAX, names: known }, (top) => top)
}

/** Those of several words; as a name of one word, `not` would no longer be the negation of tests. */
const functionNames = Object.fromEntries(
  [...feelFunctions.keys()].filter((name) => name.includes(' ')).map((name) => [name, null]),
)

export function evaluateExpression(code: FeelCode, scope: Scope): FeelValue {
  const [first, ...others] = code.children
  return first && others.length === 0 ? evaluatePart(first, scope) : null
}

/** Whether the input passes the unary tests of a cell; null counts as no. */
export function passesTests(code: FeelCode, input: FeelValue, scope: Scope): boolean {
  const inner = new Map(scope).set('?', input)
  const [first] = code.children
  if (!first || first.name === 'Wildcard') return true
  const list = code.children.find(({ name }) => name === 'PositiveUnaryTests')
  const results = (list?.children ?? []).map((test) => passesOne(test, input, inner))
  if (first.name !== 'not') return results.some((result) => result === true)
  // Neither a test nor its opposite holds for what has no truth.
  return results.every((result) => result === false)
}

/** The place of a value among the tests of a list, from 0; behind all of them where it passes none. */
export function placeInTests(code: FeelCode, value: FeelValue, scope: Scope): number {
  const within = new Map(scope).set('?', value)
  const tests = code.children.find(({ name }) => name === 'PositiveUnaryTests')?.children ?? []
  const place = tests.findIndex((test) => passesOne(test, value, within) === true)
  return place < 0 ? tests.length : place
}

/** One test of a list: a comparison or range of the input, a value it may be, or an expression over `?`. */
function passesOne(test: Part, input: FeelValue, scope: Scope): boolean | null {
  const [inner] = test.children
  if (!inner) return null
  if (inner.name === 'SimplePositiveUnaryTest') {
    const [first, operand] = inner.children
    if (first?.name === 'CompareOp' && operand) return compared(first.text, input, evaluatePart(operand, scope))
    if (first) return isAmong(input, evaluatePart(first, scope))
  }
  const value = evaluatePart(inner, scope)
  // The input by itself is equal to itself, so that it passes whatever it is.
  return inner.text !== '?' && mentionsInput(inner) ? asTruth(value) : isAmong(input, value)
}

function mentionsInput(part: Part): boolean {
  return part.text === '?' || part.children.some(mentionsInput)
}

function isAmong(input: FeelValue, value: FeelValue): boolean | null {
  if (isList(value)) {
    if (equal(input, value) === true) return true
    return value.some((item) => isAmong(input, item) === true)
  }
  if (typeof value === 'object' && value !== null && 'kind' in value && value.kind === 'range') {
    return inRange(input, value)
  }
  return equal(input, value)
}

function asTruth(value: FeelValue): boolean | null {
  return typeof value === 'boolean' ? value : null
}

/** A name without the blanks that the grammar does not count. */
export function nameIn(text: string): string {
  return text.replaceAll(/\s+/g, ' ').trim()
}

function named(text: string, scope: Scope): FeelValue {
  const name = nameIn(text)
  const found = scope.get(name) ?? feelFunctions.get(name)
  if (found !== undefined) return found
  // Blanks beside the signs that may stand within a name do not count either.
  const plain = (other: string) => other.replaceAll(/\s*([./\-'+*])\s*/g, '$1')
  for (const [other, value] of scope) if (plain(other) === plain(name)) return value
  return null
}

function evaluatePart(part: Part, scope: Scope): FeelValue {
  switch (part.name) {
    case 'NumericLiteral':
      return numberIn(part.text)
    case 'StringLiteral':
      return textIn(part.text)
    case 'BooleanLiteral':
      return part.text === 'true'
    case 'null':
      return null
    case 'VariableName':
    case '?':
      return named(part.text, scope)
    case 'ParenthesizedExpression':
      return inner(part, 1, scope)
    case 'ArithmeticExpression':
      return arithmetic(part, scope)
    case 'Comparison':
      return comparison(part, scope)
    case 'Conjunction':
      return logic(part, scope, false)
    case 'Disjunction':
      return logic(part, scope, true)
    case 'IfExpression':
      return inner(part, inner(part, 1, scope) === true ? 3 : 5, scope)
    case 'List':
      return operands(part).map((item) => evaluatePart(item, scope))
    case 'Context':
      return context(part, scope)
    case 'Interval':
      return interval(part, scope)
    case 'SimplePositiveUnaryTest':
      return inner(part, 0, scope)
    case 'PathExpression':
      return member(inner(part, 0, scope), nameIn(part.children[2]?.text ?? ''))
    case 'FilterExpression':
      return filtered(part, scope)
    case 'FunctionInvocation':
    case 'DateTimeLiteral':
      return part.children[0]?.name === 'AtLiteral' ? at(part.children[0]) : invocation(part, scope)
    case 'AtLiteral':
      return at(part)
    case 'FunctionDefinition':
      return definition(part, scope)
    case 'ForExpression':
      return loop(part, scope)
    case 'QuantifiedExpression':
      return quantified(part, scope)
    default:
      return null
  }
}

function inner(part: Part, index: number, scope: Scope): FeelValue {
  const child = part.children[index]
  return child ? evaluatePart(child, scope) : null
}

const SIGNS = new Set(['[', ']', '(', ')', '{', '}', ',', ':'])

/** The parts without brackets and commas. */
function operands({ children }: Part): Part[] {
  return children.filter(({ name }) => !SIGNS.has(name))
}

function at({ children: [text] }: Part): FeelValue {
  const read = text ? textIn(text.text) : null
  return typeof read === 'string' ? atLiteral(read) : null
}

function arithmetic(part: Part, scope: Scope): FeelValue {
  const [first, second, third] = part.children
  if (first?.name === 'ArithOp') {
    const operand = second ? evaluatePart(second, scope) : null
    return isNumber(operand) ? negate(operand) : null
  }
  const left = first ? evaluatePart(first, scope) : null
  const right = third ? evaluatePart(third, scope) : null
  const operator = second?.text
  if (isNumber(left) && isNumber(right)) return computed(operator, left, right)
  if (typeof left === 'string' && typeof right === 'string') return operator === '+' ? left + right : null
  if (isTemporal(left) && isTemporal(right) && (operator === '+' || operator === '-')) {
    return temporalSum(operator, left, right)
  }
  return null
}

function comparison(part: Part, scope: Scope): FeelValue {
  const [first, sign, second, ...others] = part.children
  const left = first ? evaluatePart(first, scope) : null
  switch (sign?.name) {
    case 'between': {
      const lower = second ? compare(left, evaluatePart(second, scope)) : null
      const upper = others[1] ? compare(left, evaluatePart(others[1], scope)) : null
      return lower === null || upper === null ? null : lower >= 0 && upper <= 0
    }
    case 'in': {
      const list = part.children.find(({ name }) => name === 'PositiveUnaryTests')
      const within = new Map(scope).set('?', left)
      if (list) return list.children.some((test) => passesOne(test, left, within) === true)
      if (second?.name === 'PositiveUnaryTest') return passesOne(second, left, within)
      return second ? passesOne({ ...second, name: 'PositiveUnaryTest', children: [second] }, left, within) : null
    }
    default:
      return sign && second ? compared(sign.text, left, evaluatePart(second, scope)) : null
  }
}

/** `and` and `or` over three truth values. */
function logic(part: Part, scope: Scope, decisive: boolean): FeelValue {
  let unknown = false
  for (const child of part.children) {
    if (child.name === 'and' || child.name === 'or') continue
    const value = evaluatePart(child, scope)
    if (value === decisive) return decisive
    if (typeof value !== 'boolean') unknown = true
  }
  return unknown ? null : !decisive
}

function context(part: Part, scope: Scope): FeelContext {
  const entries = new Map<string, FeelValue>()
  const within = new Map(scope)
  for (const { children } of part.children.filter(({ name }) => name === 'ContextEntry')) {
    const [key, value] = children.filter(({ name }) => !SIGNS.has(name))
    if (!key || !value) continue
    const name = key.children[0]?.name === 'StringLiteral' ? textIn(key.text) : nameIn(key.text)
    const read = evaluatePart(value, within)
    entries.set(name, read)
    within.set(name, read)
  }
  return { kind: 'context', entries }
}

function interval({ children }: Part, scope: Scope): FeelRange | null {
  const [opening, lower, , upper, closing] = children
  if (!opening || !lower || !upper || !closing) return null
  return {
    kind: 'range',
    lower: { value: evaluatePart(lower, scope), open: opening.name !== '[' },
    upper: { value: evaluatePart(upper, scope), open: closing.name !== ']' },
  }
}

/** A member by its name; of a list, that of each of its items. */
function member(value: FeelValue, name: string): FeelValue {
  if (value === null || typeof value !== 'object') return null
  if (isList(value)) return value.map((item) => member(item, name))
  if ('coefficient' in value) return null
  if (value.kind === 'context') return named(name, value.entries)
  return isTemporal(value) ? (value.members.get(name) ?? null) : null
}

function filtered({ children: [of, , by] }: Part, scope: Scope): FeelValue {
  const value = of ? evaluatePart(of, scope) : null
  if (!by || value === null) return null
  const list = isList(value) ? value : [value]
  const plain = by.name === 'NumericLiteral' || by.name === 'ArithmeticExpression' ? evaluatePart(by, scope) : undefined
  if (isNumber(plain)) {
    const place = Number(plain.coefficient)
    return (plain.scale === 0 && list.at(place > 0 ? place - 1 : place)) || null
  }
  const kept = list.filter((item) => evaluatePart(by, withItem(item, scope)) === true)
  const index = isList(value) ? evaluatePart(by, scope) : null
  return kept.length === 0 && isNumber(index) ? (list[Number(index.coefficient) - 1] ?? null) : kept
}

function withItem(item: FeelValue, scope: Scope): Scope {
  const within = new Map(scope).set('item', item)
  if (kindOf(item) === 'context') for (const [name, value] of (item as FeelContext).entries) within.set(name, value)
  return within
}

function invocation(part: Part, scope: Scope): FeelValue {
  const [called] = part.children
  const callee = called
    ? called.name === 'DateTimeConstructor'
      ? named(called.text, scope)
      : evaluatePart(called, scope)
    : null
  if (kindOf(callee) !== 'function') return null
  const { parameters, call } = callee as FeelFunction
  const byName = part.children.find(({ name }) => name === 'NamedParameters')
  if (!byName) {
    const given = part.children.find(({ name }) => name === 'PositionalParameters')
    return call(given ? operands(given).map((one) => evaluatePart(one, scope)) : [])
  }
  const given = new Map(
    operands(byName).map(({ children }) => {
      const [name, value] = children.filter(({ name: sign }) => !SIGNS.has(sign))
      return [nameIn(name?.text ?? ''), value ? evaluatePart(value, scope) : null]
    }),
  )
  // The names of what FEEL brings along are not kept; theirs stand in the standard's own order.
  return call(parameters ? parameters.map((name) => given.get(name) ?? null) : [...given.values()])
}

function definition(part: Part, scope: Scope): FeelFunction | null {
  const formal = part.children.find(({ name }) => name === 'FormalParameters')
  const body = part.children.find(({ name }) => name === 'FunctionBody')?.children[0]
  if (!body) return null
  const parameters = (formal ? operands(formal) : []).map(({ children: [name] }) => nameIn(name?.text ?? ''))
  const call = (given: readonly FeelValue[]) => {
    const within = new Map(scope)
    for (const [index, name] of parameters.entries()) within.set(name, given[index] ?? null)
    return evaluatePart(body, within)
  }
  return { kind: 'function', parameters, call }
}

/** Every combination of the lists that `for`, `some` and `every` run over; null where one is no list. */
function combinations(part: Part, scope: Scope): Scope[] | null {
  let scopes: Scope[] = [scope]
  const lists = part.children.find(({ name }) => name === 'InExpressions')
  for (const { children } of lists ? operands(lists) : []) {
    const name = nameIn(children[0]?.text ?? '')
    const over = children.find((child) => child.name === 'IterationContext')?.children ?? []
    const next: Scope[] = []
    for (const one of scopes) {
      const items = iterated(over, one)
      if (items === null || next.length + items.length > LOOPS_MAX) return null
      for (const item of items) next.push(new Map(one).set(name, item))
    }
    scopes = next
  }
  return scopes
}

function iterated(over: readonly Part[], scope: Scope): readonly FeelValue[] | null {
  const [first, dots, last] = over
  const from = first ? evaluatePart(first, scope) : null
  if (dots?.name !== '..' || !last) return from === null ? null : isList(from) ? from : [from]
  const to = evaluatePart(last, scope)
  if (!isNumber(from) || !isNumber(to) || from.scale !== 0 || to.scale !== 0) return null
  const [begin, end] = [Number(from.coefficient), Number(to.coefficient)]
  const count = Math.abs(end - begin) + 1
  if (count > LOOPS_MAX) return null
  return Array.from({ length: count }, (_, index) => decimal(begin + (end < begin ? -index : index)))
}

function loop(part: Part, scope: Scope): FeelValue {
  const body = part.children.at(-1)
  const scopes = combinations(part, scope)
  if (!body || !scopes) return null
  const results: FeelValue[] = []
  for (const one of scopes) results.push(evaluatePart(body, new Map(one).set('partial', [...results])))
  return results
}

function quantified(part: Part, scope: Scope): FeelValue {
  const decisive = part.children[0]?.name === 'some'
  const body = part.children.at(-1)
  const scopes = combinations(part, scope)
  if (!body || !scopes) return null
  const results = scopes.map((one) => evaluatePart(body, one))
  if (results.includes(decisive)) return decisive
  return results.every((result) => typeof result === 'boolean') ? !decisive : null
}
