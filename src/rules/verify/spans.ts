/**
 * Arithmetic of spans: what a formula can come to where its attributes lie in spans. Ends are exact, and whether an end is
 * reached is kept, so that `100 / ratedPower` above 0 W is told apart from the same at 0 W. Attributes that occur twice are
 * taken as if they were two, so the answer may be wider than what is reached, never narrower.
 */
import { add, compare, type Decimal, divide, isNegative, isZero, multiply, negate, ZERO } from '../../exact/decimal.ts'
import type { End } from '../feel-parse.ts'
import type { Span } from '../feel-tests.ts'

export const EVERYTHING: Span = {}

export function pointSpan(value: Decimal): Span {
  return { lower: { value, open: false }, upper: { value, open: false } }
}

function spanOf(lower: End<Decimal> | undefined, upper: End<Decimal> | undefined): Span {
  return { ...(lower && { lower }), ...(upper && { upper }) }
}

export function addSpans(a: Span, b: Span): Span {
  return spanOf(addEnds(a.lower, b.lower), addEnds(a.upper, b.upper))
}

function addEnds(a: End<Decimal> | undefined, b: End<Decimal> | undefined): End<Decimal> | undefined {
  return a && b && { value: add(a.value, b.value), open: a.open || b.open }
}

export function negateSpan({ lower, upper }: Span): Span {
  return spanOf(upper && { ...upper, value: negate(upper.value) }, lower && { ...lower, value: negate(lower.value) })
}

/** An end, or where there is none. */
type Reach = End<Decimal> | 'below' | 'above'

const reaches = ({ lower, upper }: Span): [Reach, Reach] => [lower ?? 'below', upper ?? 'above']

const isZeroReach = (reach: Reach): boolean => typeof reach === 'object' && isZero(reach.value)
const isReached = (reach: Reach): boolean => typeof reach === 'object' && !reach.open

function isBelowZero(reach: Reach): boolean {
  return reach === 'below' || (reach !== 'above' && isNegative(reach.value))
}

export function multiplySpans(a: Span, b: Span): Span {
  return hull(reaches(a).flatMap((x) => reaches(b).map((y) => product(x, y))))
}

function product(x: Reach, y: Reach): Reach {
  const isZeroReached = [x, y].some((reach) => isZeroReach(reach) && isReached(reach))
  if (isZeroReach(x) || isZeroReach(y)) return { value: ZERO, open: !isZeroReached }
  if (typeof x === 'string' || typeof y === 'string') return isBelowZero(x) === isBelowZero(y) ? 'above' : 'below'
  return { value: multiply(x.value, y.value), open: x.open || y.open }
}

/** Of quotients; everything where the divisor can be zero. */
export function divideSpans(a: Span, b: Span): Span {
  if (holdsZero(b)) return EVERYTHING
  const isNegativeDivisor = reaches(b).some(isBelowZero)
  return hull(reaches(a).flatMap((x) => reaches(b).map((y) => quotient(x, y, isNegativeDivisor))))
}

function quotient(x: Reach, y: Reach, isNegativeDivisor: boolean): Reach {
  if (isZeroReach(x)) return { value: ZERO, open: !isReached(x) }
  if (typeof y === 'string') return { value: ZERO, open: true }
  if (typeof x === 'string' || isZero(y.value)) return isBelowZero(x) === isNegativeDivisor ? 'above' : 'below'
  // A quotient is rounded, so that an end which is not reached may be reached after all.
  return { value: divide(x.value, y.value), open: false }
}

/** The span from the least to the greatest; of equal ends one that is reached. */
function hull(all: readonly Reach[]): Span {
  let lower: Reach = 'above'
  let upper: Reach = 'below'
  for (const one of all) {
    const below = compareReach(one, lower)
    if (below < 0 || (below === 0 && typeof one === 'object' && !one.open)) lower = one
    const above = compareReach(one, upper)
    if (above > 0 || (above === 0 && typeof one === 'object' && !one.open)) upper = one
  }
  return spanOf(typeof lower === 'object' ? lower : undefined, typeof upper === 'object' ? upper : undefined)
}

function compareReach(a: Reach, b: Reach): number {
  if (a === b) return 0
  if (a === 'below' || b === 'above') return -1
  if (a === 'above' || b === 'below') return 1
  return compare(a.value, b.value)
}

/** Of the lesser of two numbers. */
export function leastSpan(a: Span, b: Span): Span {
  return spanOf(a.lower && b.lower && outer(a.lower, b.lower), inner(a.upper, b.upper))
}

/** Of the greater of two numbers. */
export function greatestSpan(a: Span, b: Span): Span {
  return negateSpan(leastSpan(negateSpan(a), negateSpan(b)))
}

/** The lesser lower end; of equal ones that which is reached. */
function outer(a: End<Decimal>, b: End<Decimal>): End<Decimal> {
  const side = compare(a.value, b.value)
  return side < 0 || (side === 0 && !a.open) ? a : b
}

/** The lesser upper end; of equal ones that which is not reached, since both numbers must reach it. */
function inner(a: End<Decimal> | undefined, b: End<Decimal> | undefined): End<Decimal> | undefined {
  if (!a || !b) return a ?? b
  const side = compare(a.value, b.value)
  return side < 0 || (side === 0 && a.open) ? a : b
}

export function holdsZero({ lower, upper }: Span): boolean {
  if (lower && (isZero(lower.value) ? lower.open : !isNegative(lower.value))) return false
  return !(upper && (isZero(upper.value) ? upper.open : isNegative(upper.value)))
}

/** Whether a number of the span is below zero. */
export function holdsNegative({ lower }: Span): boolean {
  return !lower || isNegative(lower.value)
}
