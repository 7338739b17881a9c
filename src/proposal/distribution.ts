/**
 * What stored readings say of a quantity. A process is described by its median and the quantiles of 0.135 % and 99.865 %,
 * between which 99.73 % of units lie whatever the shape (ISO 22514-2, the quantile method; from memory, verify).
 *
 * Fewer than a thousand readings have no observed 0.135 %, so the distances of the median from the quantiles of 15.865 %
 * and 84.135 %, one standard deviation where the distribution is normal, are taken three times on either side (robust: a few
 * odd readings do not move it). No bound lies inside what was observed.
 *
 * A reading of which only a bound is known has a place in the order and no number: `>9.99 GOhm` stands above all numbers,
 * `<0.01 mA` below. A quantile that falls on one is not known, and neither is what is computed from it.
 */
import {
  add,
  compare,
  type Decimal,
  decimal,
  formatDecimal,
  greatest,
  isNegative,
  isZero,
  least,
  multiply,
  round,
  subtract,
} from '../exact/decimal.ts'
import { inUnit, type Relation } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { ReadingsSource } from './words.ts'

export interface StoredNumber {
  /** As it was judged, in the canonical unit. */
  readonly value: Decimal
  readonly relation: Relation
}

export interface Distribution {
  readonly count: number
  readonly censoredCount: number
  readonly method: ReadingsSource['method']
  /** Undefined: not known. */
  readonly lower: Decimal | undefined
  readonly median: Decimal
  readonly upper: Decimal | undefined
}

/** Below this nothing is said of a distribution. Common practice, no source. */
export const READINGS_LEAST = 30
/** From here on a quantile of 0.135 % has been observed. */
const OBSERVED_LEAST = 1_000

/** Undefined where there are too few readings, or so many are bounds that the median is none. */
export function distributionOf(numbers: readonly StoredNumber[]): Distribution | undefined {
  if (numbers.length < READINGS_LEAST) return undefined
  const ordered = inOrder(numbers)
  const at = (share: string) => quantile(ordered, decimal(share))
  const median = at('0.5')
  if (median === undefined) return undefined
  const isObserved = numbers.length >= OBSERVED_LEAST
  const lower = isObserved ? at('0.00135') : threefold(median, at('0.15865'), ordered[0])
  const upper = isObserved ? at('0.99865') : threefold(median, at('0.84135'), ordered.at(-1))
  return {
    count: numbers.length,
    censoredCount: ordered.filter((one) => typeof one === 'string').length,
    method: isObserved ? 'quantiles' : 'robust',
    lower: lower && (isNegative(lower) || isZero(lower)) ? undefined : lower,
    median,
    upper,
  }
}

type Place = Decimal | 'below all' | 'above all'

function inOrder(numbers: readonly StoredNumber[]): Place[] {
  const plain = numbers.filter(({ relation }) => relation === '=').map(({ value }) => value)
  const countOf = (relation: Relation) => numbers.filter((one) => one.relation === relation).length
  return [
    ...new Array<Place>(countOf('<')).fill('below all'),
    ...plain.sort(compare),
    ...new Array<Place>(countOf('>')).fill('above all'),
  ]
}

/** The quantile at place (n - 1) p, counted from 0, straight between the two readings beside it. */
function quantile(ordered: readonly Place[], share: Decimal): Decimal | undefined {
  const place = multiply(decimal(ordered.length - 1), share)
  const index = Math.floor(Number(formatDecimal(place))) // An index, no decision: at most a few thousand.
  const [one, next] = [ordered[index], ordered[Math.min(index + 1, ordered.length - 1)]]
  if (typeof one !== 'object') return undefined
  const beyond = subtract(place, decimal(index))
  if (isZero(beyond)) return one
  return typeof next === 'object' ? add(one, multiply(subtract(next, one), beyond)) : undefined
}

/** Three times as far from the median as a quantile, and not inside the outermost reading. */
function threefold(median: Decimal, at: Decimal | undefined, outermost: Place | undefined): Decimal | undefined {
  if (at === undefined || typeof outermost !== 'object') return undefined
  const bound = add(median, multiply(decimal(3), subtract(at, median)))
  return compare(at, median) < 0 || compare(outermost, median) < 0
    ? least(bound, outermost)
    : greatest(bound, outermost)
}

/** Digits of a computed number in an answer. */
const DIGITS_SHOWN = 4

export function writeDistribution(one: Distribution, unit: UnitCode): ReadingsSource {
  const text = (value: Decimal) => formatDecimal(inUnit(round(value, DIGITS_SHOWN), unit))
  const { count, censoredCount, method, lower, median, upper } = one
  return {
    count,
    censoredCount,
    method,
    lower: lower ? text(lower) : null,
    median: text(median),
    upper: upper ? text(upper) : null,
    unit,
  }
}
