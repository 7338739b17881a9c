/**
 * For which inputs an output cell has no result: it divides by zero, or its range holds nothing. An input that shows it is
 * looked for, and proof that there is none; where neither is found within the work allowed, that is said.
 */
import {
  add,
  compare,
  type Decimal,
  divide,
  equals,
  formatDecimal,
  isNegative,
  isZero,
  multiply,
  parseDecimal,
  subtract,
} from '../../exact/decimal.ts'
import { attributesIn, stepOf } from '../feel-compile.ts'
import { type Formula, parseFormula, parseRange } from '../feel-parse.ts'
import { holdsIn, type Span } from '../feel-tests.ts'
import type { Output } from '../output-column.ts'
import type { Budget, Search } from './cover.ts'
import { type Spans, spanOfFormula, writeFormula } from './formula-span.ts'
import { numberIn } from './region.ts'
import type { NoResultOfCell } from './report.ts'
import { EVERYTHING, holdsNegative, holdsZero } from './spans.ts'

export type NoResult = NoResultOfCell['because']

/** One way in which a cell can be without a result: where a number that it comes to along the way is a bad one. */
export interface Hazard {
  readonly because: NoResult
  /** In no order; each once. */
  readonly attributes: readonly string[]
  /** What working the number out once costs. */
  readonly size: number
  /** The number, of attributes in the order of `attributes`; undefined where another hazard comes first. */
  readonly compute: (numbers: readonly Decimal[]) => Decimal | undefined
  readonly span: (spans: Spans) => Span
  readonly isBad: (value: Decimal) => boolean
  readonly mayBeBad: (span: Span) => boolean
}

/** An output cell whose demand is worked out. */
export interface Worked {
  /** Equal for cells that come to the same whatever their attributes; cells whose texts differ may do so too. */
  readonly text: string
  readonly attributes: readonly string[]
  /** Numbers, attributes and operations: what working it out once costs. */
  readonly size: number
  readonly hazards: readonly Hazard[]
}

/** Reads a cell that compiles. */
export function readWorked(cell: string, output: Output): Worked {
  if (output.nature === 'number') {
    const parsed = parseFormula(cell)
    if ('tree' in parsed) return workedOf([parsed.tree], '', divisions(parsed.tree))
  } else if (output.nature === 'range') {
    const parsed = parseRange(cell)
    if ('tree' in parsed) {
      const { lower, upper, at } = parsed.tree
      const width: Formula = { kind: 'arithmetic', operator: '-', left: upper.value, right: lower.value, at }
      const isOpen = lower.open || upper.open
      const empty = hazard('range-empty', width, {
        isBad: (value) => isNegative(value) || (isOpen && isZero(value)),
        mayBeBad: (span) => holdsNegative(span) || (isOpen && holdsZero(span)),
      })
      return workedOf([lower.value, upper.value], `${lower.open} ${upper.open}`, [...divisions(width), ...empty])
    }
  }
  throw new TypeError(`'${cell}' passed the compiler as something worked out`)
}

function workedOf(formulas: readonly Formula[], ends: string, hazards: readonly Hazard[]): Worked {
  return {
    text: [ends, ...formulas.map(writeFormula)].join('..'),
    attributes: [...new Set(formulas.flatMap(attributesIn).map(({ name }) => name))],
    size: formulas.reduce((sum, formula) => sum + sizeOf(formula), 0),
    hazards,
  }
}

function sizeOf(formula: Formula): number {
  switch (formula.kind) {
    case 'negate':
      return 1 + sizeOf(formula.operand)
    case 'arithmetic':
      return 1 + sizeOf(formula.left) + sizeOf(formula.right)
    case 'choice':
      return formula.rest.reduce((sum, one) => sum + sizeOf(one), 1 + sizeOf(formula.first))
    default:
      return 1
  }
}

function divisions(formula: Formula): Hazard[] {
  switch (formula.kind) {
    case 'negate':
      return divisions(formula.operand)
    case 'choice':
      return [formula.first, ...formula.rest].flatMap(divisions)
    case 'arithmetic': {
      const { operator, left, right } = formula
      const inner = [...divisions(left), ...divisions(right)]
      if (operator !== '/') return inner
      return [...inner, ...hazard('division-by-zero', right, { isBad: isZero, mayBeBad: holdsZero })]
    }
    default:
      return []
  }
}

function hazard(because: NoResult, formula: Formula, bad: Pick<Hazard, 'isBad' | 'mayBeBad'>): Hazard[] {
  const attributes = [...new Set(attributesIn(formula).map(({ name }) => name))]
  const compute = stepOf(formula, attributes)
  const constant = attributes.length === 0 ? compute([]) : undefined
  if (constant && !bad.isBad(constant)) return []
  let span: Hazard['span'] | undefined
  return [
    {
      because,
      attributes,
      size: sizeOf(formula),
      compute,
      span: (spans) => {
        span ??= spanOfFormula(formula)
        return span(spans)
      },
      ...bad,
    },
  ]
}

export type Found =
  /** Numbers for which there is no result, in the order of the attributes. */
  | { readonly numbers: readonly Decimal[] }
  /** There are none: proven. */
  | 'never'
  /** Neither found nor excluded. */
  | 'undecided'

/** Boxes that one hazard is looked for in, after the first. */
const SPLITS_MAX = 100

/** After so much work a search lets others run; a few milliseconds. */
const PAUSE_WORK = 10_000

/** @param sides where the attributes may lie, in their order; the budget counts what is worked out, in sizes */
export function* searchHazard(hazard: Hazard, sides: readonly Span[], budget: Budget): Search<Found> {
  const open: (readonly Span[])[] = [sides]
  const evaluations = 2 * POINTS_MAX * (1 + sides.length)
  let looked = 0
  let pauseAt = budget.left - PAUSE_WORK
  // Wide boxes first: the list grows while it is gone through.
  for (const box of open) {
    const spans = new Map(hazard.attributes.map((name, index) => [name, box[index] ?? EVERYTHING]))
    budget.left -= hazard.size
    if (!hazard.mayBeBad(hazard.span(spans))) continue
    looked += 1
    budget.left -= hazard.size * evaluations
    if (looked > SPLITS_MAX || budget.left < 0) return 'undecided'
    const numbers = probe(hazard, box)
    if (numbers) return { numbers }
    open.push(...halves(box))
    if (budget.left < pauseAt) {
      pauseAt = budget.left - PAUSE_WORK
      yield
    }
  }
  return 'never'
}

/** Of one side its ends, where they belong to it, and a number between. */
export function candidates(span: Span): Decimal[] {
  const ends = [span.lower, span.upper].flatMap((end) => (end && !end.open ? [end.value] : []))
  return [numberIn(span), ...ends]
}

/** Beyond so many points a box is probed along its middle alone. */
const POINTS_MAX = 27

/** A point of the box with a bad number: among ends and middles, and where straight lines through these meet zero. */
function probe({ compute, isBad }: Hazard, box: readonly Span[]): readonly Decimal[] | undefined {
  const choices = box.map(candidates)
  let points: (readonly Decimal[])[] = [[]]
  for (const choice of choices) {
    const next = points.flatMap((point) => choice.map((value) => [...point, value]))
    points = next.length > POINTS_MAX ? points.map((point) => [...point, ...choice.slice(0, 1)]) : next
  }
  const isBadAt = (point: readonly Decimal[]) => {
    const value = compute(point)
    return value !== undefined && isBad(value)
  }
  const bad = points.find(isBadAt)
  if (bad) return bad
  for (const point of points) {
    for (const [axis, span] of box.entries()) {
      const root = rootAlong(compute, point, { axis, span })
      if (root && isBadAt(root)) return root
    }
  }
  return undefined
}

/** Where the line through two values of a formula along one axis is zero; exact where the formula is linear in it. */
function rootAlong(
  compute: Hazard['compute'],
  point: readonly Decimal[],
  { axis, span }: { readonly axis: number; readonly span: Span },
): readonly Decimal[] | undefined {
  const at = (value: Decimal) => point.map((own, index) => (index === axis ? value : own))
  const from = point[axis]
  const to =
    candidates(span).find((value) => from && !equals(value, from)) ??
    (from && add(from, numberIn({ lower: { value: from, open: true } })))
  if (!from || !to) return undefined
  const [first, second] = [compute(at(from)), compute(at(to))]
  if (!first || !second || equals(first, second)) return undefined
  const root = subtract(from, divide(multiply(first, subtract(to, from)), subtract(second, first)))
  // A number of more digits than anybody can send is no input.
  return holdsIn(root, span) && parseDecimal(formatDecimal(root)) ? at(root) : undefined
}

/** The box in two, along the side that is widest for what it holds; none where it is a single point. */
function halves(box: readonly Span[]): (readonly Span[])[] {
  let widest: { readonly axis: number; readonly middle: Decimal; readonly width: Decimal | undefined } | undefined
  for (const [axis, span] of box.entries()) {
    const { lower, upper } = span
    const width = lower && upper && subtract(upper.value, lower.value)
    if (width && isZero(width)) continue
    if (!widest || (widest.width && (!width || compare(width, widest.width) > 0))) {
      widest = { axis, middle: numberIn(span), width }
    }
  }
  if (!widest) return []
  const { axis, middle } = widest
  const end = { value: middle, open: false }
  return [{ upper: end }, { lower: end }].map((half) =>
    box.map((span, index) => (index === axis ? { ...span, ...half } : span)),
  )
}
