/** Limits: the tightest of what rules demand, what sound units draw, and what units that passed have read. */
import {
  add,
  compare,
  type Decimal,
  decimal,
  divide,
  equals,
  greatest,
  multiply,
  ONE,
  roundDown,
  roundUp,
} from '../exact/decimal.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import { type Box, type Room, roomOf } from './bounds.ts'
import { type Distribution, writeDistribution } from './distribution.ts'
import {
  byDefault,
  isAboveZero,
  lowerEnd,
  type Reasoned,
  type Said,
  upperEnd,
  type Why,
  word,
  written,
} from './said.ts'

/** A limit lies so far beyond what is expected of a sound unit. Common practice, no source. */
const MARGIN = decimal('0.25')
const DIGITS = 2

/** What a limit is made from, beside rules. */
export interface Expected {
  /** The greatest current of a sound unit, computed from the product. */
  readonly greatest?: Decimal | undefined
  readonly computed?: string | undefined
  readonly readings?: Distribution | undefined
  /** Where nothing else says a number. */
  readonly otherwise: Reasoned
  /** At which the tester stops: a limit beyond it never speaks. */
  readonly trip?: Decimal | undefined
}

/** An upper limit for one variant. Rules are never passed; below the greatest current of a sound unit only for a rule. */
export function upperLimit(room: Room, expected: Expected, unit: UnitCode): Reasoned {
  const rule = upperEnd(room)
  const candidates: Reasoned[] = rule ? [rule] : []
  const { readings, greatest: most, computed } = expected
  if (readings?.upper && isAboveZero(readings.upper)) {
    candidates.push({
      value: roundUp(multiply(readings.upper, add(ONE, MARGIN)), DIGITS),
      why: byReadings(readings, 'upper', unit),
    })
  }
  if (most && isAboveZero(most)) {
    const because = `A quarter above ${written(roundUp(most, 3), unit)} ${unit}, the most that a sound unit draws: ${computed}.`
    candidates.push({ value: roundUp(multiply(most, add(ONE, MARGIN)), DIGITS), why: { source: 'physics', because } })
  }
  let chosen = candidates.reduce<Reasoned | undefined>(
    (a, b) => (a && compare(a.value, b.value) <= 0 ? a : b),
    undefined,
  )
  chosen ??= expected.otherwise
  const floor = lowerEnd(room)
  if (floor && compare(chosen.value, floor.value) < 0) chosen = floor
  if (most && compare(chosen.value, most) < 0) {
    const because = `No less than ${written(roundUp(most, 3), unit)} ${unit}, the most that a sound unit draws: ${computed}.`
    chosen = { value: roundUp(most, 3), why: { source: 'physics', because } }
  }
  if (rule && compare(chosen.value, rule.value) > 0) chosen = rule
  const { trip } = expected
  if (!trip || compare(chosen.value, trip) <= 0) return chosen
  return { value: trip, why: { ...chosen.why, because: `${chosen.why.because} The tester trips here already.` } }
}

/** A lower limit for one variant: the greater of what rules demand and what units that passed have read. */
export function lowerLimit(room: Room, expected: Pick<Expected, 'readings' | 'otherwise'>, unit: UnitCode): Reasoned {
  const { readings, otherwise } = expected
  const rule = lowerEnd(room)
  let chosen = rule
  if (readings?.lower) {
    const value = roundDown(divide(readings.lower, add(ONE, MARGIN)), DIGITS)
    if (!chosen || compare(value, chosen.value) > 0) chosen = { value, why: byReadings(readings, 'lower', unit) }
  }
  chosen ??= otherwise
  const ceiling = upperEnd(room)
  return ceiling && compare(chosen.value, ceiling.value) > 0 ? ceiling : chosen
}

function byReadings(readings: Distribution, side: 'lower' | 'upper', unit: UnitCode): Why {
  const shown = writeDistribution(readings, unit)
  const share = side === 'upper' ? '99.865' : '0.135'
  const bounds =
    shown.censoredCount === 0
      ? ''
      : ` ${shown.censoredCount} of them are bounds, which have a place in the order and no number.`
  const how =
    shown.method === 'quantiles'
      ? 'as observed'
      : 'as three times the distance of the median from one standard deviation’s quantile, no nearer than the outermost reading'
  return {
    source: 'readings',
    because: `A quarter beyond ${shown[side]} ${unit}, the ${share} % quantile of ${shown.count} readings of units that passed (ISO 22514-2, quantile method; ${how}).${bounds}`,
    readings: shown,
  }
}

/** A limit that is the same for all variants where it can be, else one for each. */
export function limitOf(
  byVariant: ReadonlyMap<string, Reasoned>,
  unit: UnitCode,
): Said<{ unit: UnitCode; inclusive: boolean }> {
  const inclusive = word(true, byDefault('A number on the limit passes.'))
  const entries = [...byVariant]
  const [first] = entries
  if (!first) throw new TypeError('a product has one variant at least, with or without a name')
  const [, one] = first
  const rest = [{ pointer: '/inclusive', value: 'true', why: inclusive.why[0]?.why ?? one.why }]
  if (entries.every(([, other]) => equals(other.value, one.value))) {
    const value = written(one.value, unit)
    return {
      value: { value, unit, inclusive: true } as never,
      why: [{ pointer: '/value', value, why: one.why }, ...rest],
    }
  }
  const texts = entries.map(([variant, { value }]) => [variant, written(value, unit)] as const)
  return {
    value: { byVariant: Object.fromEntries(texts), unit, inclusive: true } as never,
    // Keys hold neither `~` nor `/`, so they stand in a pointer as they are.
    why: [
      ...entries.map(([variant, { value, why }]) => ({
        pointer: `/byVariant/${variant}`,
        value: written(value, unit),
        why,
      })),
      ...rest,
    ],
  }
}

/** The limits that a kind need not have, stated only where a rule asks for one. */
export function optionalLimit(
  box: Box,
  parameter: 'limitUpper' | 'limitLower',
  variants: readonly string[],
  unit: UnitCode,
): Said | undefined {
  const values = new Map<string, Reasoned>()
  for (const variant of variants) {
    const room = roomOf(box, parameter, variant)
    const value = parameter === 'limitLower' ? (lowerEnd(room) ?? upperEnd(room)) : (upperEnd(room) ?? lowerEnd(room))
    if (value) values.set(variant, value)
  }
  if (values.size === 0) return undefined
  // A limit names every variant; of those without a demand the widest of the others is asked.
  const widest = [...values.values()].reduce((a, b) =>
    (parameter === 'limitLower') === compare(a.value, b.value) <= 0 ? a : b,
  )
  return limitOf(new Map(variants.map((variant) => [variant, values.get(variant) ?? widest])), unit)
}

/** The greatest of numbers; undefined of none. */
export function greatestOf(values: Iterable<Decimal>): Decimal | undefined {
  let most: Decimal | undefined
  for (const value of values) most = most ? greatest(most, value) : value
  return most
}
