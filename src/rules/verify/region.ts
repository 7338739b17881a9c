/** Boxes as people read them: the FEEL text of each column, and one input that lies in the box. */
import {
  add,
  compare,
  type Decimal,
  decimal,
  formatDecimal,
  multiply,
  nearestMultiple,
  ONE,
  subtract,
  ZERO,
} from '../../exact/decimal.ts'
import { inUnit } from '../../exact/quantity.ts'
import { type UnitCode, units } from '../../exact/unit-codes.ts'
import type { AttributeValue } from '../../products/attributes.ts'
import type { End } from '../feel-parse.ts'
import type { Span } from '../feel-tests.ts'
import type { Attributes } from '../inputs.ts'
import { type Axes, type Axis, quoted } from './axes.ts'
import { type Box, sideOf } from './space.ts'

/** What one column of a box holds, as FEEL unary tests in the column's unit; `-` is all that the table is made for. */
export interface WrittenSide {
  readonly attribute: string
  readonly tests: string
  readonly unit: UnitCode | null
}

/** One value of an input, in plain digits or as the word itself. */
export interface WrittenValue {
  readonly attribute: string
  readonly value: string
  readonly unit: UnitCode | null
}

/** Ranges or words written of one side: of more the first ones, so that what is written is still true. */
const WRITTEN_MAX = 20

export function writeBox({ axes, space }: Axes, box: Box): WrittenSide[] {
  return axes.map((axis, index) => ({
    attribute: axis.attribute,
    tests: writeSide(axis, sideOf(space, box, index)),
    unit: axis.unit ?? null,
  }))
}

/** One input in the box, by attribute, canonical. The box is not empty. */
export function exampleIn({ axes, space }: Axes, box: Box): Map<string, AttributeValue> {
  return new Map(axes.map((axis, index) => [axis.attribute, valueIn(axis, sideOf(space, box, index))]))
}

export function writeExample({ axes }: Axes, attributes: Attributes): WrittenValue[] {
  return axes.flatMap(({ attribute, unit }) => {
    const value = attributes.get(attribute)
    return value === undefined ? [] : [writeValue({ attribute, unit }, value)]
  })
}

/** A canonical value in the unit of its column. */
export function writeValue({ attribute, unit }: Pick<Axis, 'attribute' | 'unit'>, value: AttributeValue): WrittenValue {
  if (typeof value !== 'object') return { attribute, value: String(value), unit: null }
  return { attribute, value: formatDecimal(unit ? inUnit(value, unit) : value), unit: unit ?? null }
}

/** Regions that lie in the side, as runs of neighbours, ascending. */
function runsIn({ regions, partOf }: Axis, side: Uint32Array): { readonly from: number; readonly to: number }[] {
  const runs: { from: number; to: number }[] = []
  for (let region = 0; region < regions; region += 1) {
    if (!holdsRegion(partOf, side, region)) continue
    const last = runs.at(-1)
    if (last?.to === region - 1) last.to = region
    else runs.push({ from: region, to: region })
  }
  return runs
}

function holdsRegion(partOf: Int32Array, side: Uint32Array, region: number): boolean {
  const part = partOf[region] ?? -1
  return part >= 0 && (((side[part >>> 5] ?? 0) >>> (part & 31)) & 1) === 1
}

/** The ends of ranges of which a side holds neither neighbour, canonical, and how many runs it has in all. */
export function pointsIn(
  axis: Axis & { readonly type: 'number' },
  side: Uint32Array,
): { readonly alone: Decimal[]; readonly runs: number } {
  const runs = runsIn(axis, side)
  const alone = runs.flatMap(({ from, to }) => {
    const value = from === to && axis.isEnd[from] === 1 ? axis.named[from >>> 1] : undefined
    return value ?? []
  })
  return { alone, runs: runs.length }
}

/** The numbers of one side, in the column's unit, as spans without a gap between them, ascending. */
export function spansIn(axis: Axis & { readonly type: 'number' }, side: Uint32Array): Span[] {
  return runsIn(axis, side).map(({ from, to }) => {
    const lower = endAt(axis, from, 'lower')
    const upper = endAt(axis, to, 'upper')
    return { ...(lower && { lower }), ...(upper && { upper }) }
  })
}

/** Where a run that begins or ends with this region ends; an odd region is an end itself, an even one lies between two. */
function endAt(axis: Axis & { type: 'number' }, region: number, which: 'lower' | 'upper'): End<Decimal> | undefined {
  const isPoint = region % 2 === 1
  const index = isPoint || which === 'upper' ? region >>> 1 : (region >>> 1) - 1
  const value = axis.named[index]
  return value && { value: axis.unit ? inUnit(value, axis.unit) : value, open: !isPoint }
}

function writeSide(axis: Axis, side: Uint32Array): string {
  if (axis.partOf.every((part, region) => part < 0 || holdsRegion(axis.partOf, side, region))) return '-'
  if (axis.type === 'number') return spansIn(axis, side).slice(0, WRITTEN_MAX).map(writeSpan).join(', ')
  const isIn = (index: number) => holdsRegion(axis.partOf, side, index)
  const outside = axis.named.filter((_, index) => !isIn(index))
  if (isIn(axis.named.length) && outside.length <= WRITTEN_MAX) return `not(${outside.map(writeWord).join(', ')})`
  const inside = axis.named.filter((_, index) => isIn(index))
  return (inside.length > 0 ? inside : [valueIn(axis, side)]).slice(0, WRITTEN_MAX).map(writeWord).join(', ')
}

function writeWord(word: AttributeValue): string {
  return typeof word === 'string' ? quoted(word) : String(word)
}

function writeSpan({ lower, upper }: Span): string {
  if (!lower) return upper ? `${upper.open ? '<' : '<='} ${formatDecimal(upper.value)}` : '-'
  const from = formatDecimal(lower.value)
  if (!upper) return `${lower.open ? '>' : '>='} ${from}`
  if (compare(lower.value, upper.value) === 0) return from
  return `${lower.open ? '(' : '['}${from}..${formatDecimal(upper.value)}${upper.open ? ')' : ']'}`
}

/** One value of a side that is not empty, canonical: of numbers one from within a range rather than at its end. */
function valueIn(axis: Axis, side: Uint32Array): AttributeValue {
  if (axis.type === 'number') {
    const spans = spansIn(axis, side)
    const [span = {}] = [...spans.filter((one) => !isPoint(one)), ...spans]
    return canonical(numberIn(span), axis.unit)
  }
  const index = axis.named.findIndex((_, region) => holdsRegion(axis.partOf, side, region))
  return axis.named[index] ?? otherWord(axis.named)
}

export function canonical(value: Decimal, unit: UnitCode | undefined): Decimal {
  return unit ? multiply(value, units[unit].factor) : value
}

function isPoint({ lower, upper }: Span): boolean {
  return lower !== undefined && upper !== undefined && compare(lower.value, upper.value) === 0
}

/** A word that is none of these. */
function otherWord(named: readonly (string | boolean)[]): string {
  let word = 'other'
  for (let n = 2; named.includes(word); n += 1) word = `other-${n}`
  return word
}

const TWO = decimal(2)
const TEN = decimal(10)
const TENTH = decimal('0.1')

/** A number well within the span, of as few digits as there is. */
export function numberIn({ lower, upper }: Span): Decimal {
  if (!lower && !upper) return ZERO
  if (!lower) return upper && compare(upper.value, ZERO) > 0 ? ZERO : subtract(upper?.value ?? ZERO, ONE)
  if (!upper) {
    const { value } = lower
    return compare(value, ZERO) > 0 ? between(value, multiply(value, TWO)) : compare(value, ZERO) < 0 ? ZERO : ONE
  }
  return isPoint({ lower, upper }) ? lower.value : between(lower.value, upper.value)
}

/** The multiple of the greatest power of ten next to the middle that lies strictly between. */
function between(from: Decimal, to: Decimal): Decimal {
  const width = subtract(to, from)
  const middle = multiply(add(from, to), decimal('0.5'))
  let step = ONE
  while (compare(step, width) < 0) step = multiply(step, TEN)
  for (;;) {
    const near = nearestMultiple({ numerator: middle, divisor: null }, step, 'half-even')
    if (compare(from, near) < 0 && compare(near, to) < 0) return near
    step = multiply(step, TENTH)
  }
}
