import { compare, type Decimal, formatDecimal, isNegative, isZero, multiply, subtract } from '../exact/decimal.ts'
import { inUnit, type Relation } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { Bound, CompiledLimit } from './compile.ts'

/** Where a number lies against a limit. `undecided`: of a censored number only a bound is known, and it decides nothing. */
export type Placing = 'within' | 'beyond' | 'undecided'

/** Where a measurement's number lies against its two limits, and the highest current of its ramp against the upper. */
export interface Placings {
  readonly upper: Placing
  readonly lower: Placing
  readonly ramp: Placing
}

/**
 * A number as it is judged: `numerator`, or `numerator / divisor` for a resistance from voltage drop and current, so
 * that no division comes between the readings and the decision. Canonical units. `divisor` is above zero.
 */
export interface JudgedNumber {
  readonly numerator: Decimal
  readonly divisor: Decimal | null
  /** `<`: the true number is less; `>`: it is greater (the display ended there). */
  readonly relation: Relation
  /** The true number may also be the bound itself, as where a bound was rounded. Means nothing where it is `=`. */
  readonly isBoundIncluded: boolean
}

/** -1, 0 or 1: the number's digits against a bound, exactly; its relation is not looked at. */
export function compareWith(number: JudgedNumber, bound: Decimal): -1 | 0 | 1 {
  return compare(number.numerator, number.divisor === null ? bound : multiply(bound, number.divisor))
}

/** Places a number against an upper limit. A number on the limit obeys the limit's own word. */
export function placeUnder(
  number: JudgedNumber,
  limit: { readonly value: Decimal; readonly inclusive: boolean },
): Placing {
  const side = compareWith(number, limit.value)
  switch (number.relation) {
    case '=':
      return side < 0 || (side === 0 && limit.inclusive) ? 'within' : 'beyond'
    case '<':
      return side < 0 || (side === 0 && (limit.inclusive || !number.isBoundIncluded)) ? 'within' : 'undecided'
    case '>':
      return side > 0 || (side === 0 && !(limit.inclusive && number.isBoundIncluded)) ? 'beyond' : 'undecided'
  }
}

/** Places a number against a lower limit. */
export function placeOver(
  number: JudgedNumber,
  limit: { readonly value: Decimal; readonly inclusive: boolean },
): Placing {
  const side = compareWith(number, limit.value)
  switch (number.relation) {
    case '=':
      return side > 0 || (side === 0 && limit.inclusive) ? 'within' : 'beyond'
    case '>':
      return side > 0 || (side === 0 && (limit.inclusive || !number.isBoundIncluded)) ? 'within' : 'undecided'
    case '<':
      return side < 0 || (side === 0 && !(limit.inclusive && number.isBoundIncluded)) ? 'beyond' : 'undecided'
  }
}

/** Whether a measured quantity is shown to lie above a bound that itself is still accepted. */
export function isShownAbove(
  { value, relation }: { readonly value: Decimal; readonly relation: Relation },
  most: Bound,
): boolean {
  const side = compare(value, most.value)
  return relation === '=' ? side > 0 : relation === '>' && side >= 0
}

/** Whether it is shown to lie below a bound that itself is still accepted. */
export function isShownBelow(
  { value, relation }: { readonly value: Decimal; readonly relation: Relation },
  least: Bound,
): boolean {
  const side = compare(value, least.value)
  return relation === '=' ? side < 0 : relation === '<' && side <= 0
}

/** Whether a measured quantity, not shown to lie above a bound that is still accepted, may lie above it all the same. */
export function mayLieAbove(
  { value, relation }: { readonly value: Decimal; readonly relation: Relation },
  most: Bound,
): boolean {
  return relation === '>' || (relation === '<' && compare(value, most.value) > 0)
}

/** Whether a measured quantity, not shown to lie below a bound that is still accepted, may lie below it all the same. */
export function mayLieBelow(
  { value, relation }: { readonly value: Decimal; readonly relation: Relation },
  least: Bound,
): boolean {
  return relation === '<' || (relation === '>' && compare(value, least.value) < 0)
}

/** A number as answers write it; `=` is the default relation and left out. */
export interface WrittenNumber {
  readonly value: string
  readonly unit: UnitCode
  readonly relation?: '<' | '>'
}

/** A canonical number in a unit of its dimension, in plain digits. */
export function writeNumber(value: Decimal, unit: UnitCode, relation: Relation): WrittenNumber {
  const digits = formatDecimal(inUnit(value, unit))
  return relation === '=' ? { value: digits, unit } : { value: digits, unit, relation }
}

/**
 * How far a number stays inside its upper limit, negative beyond it, in the limit's unit. For a censored number the
 * margin is a bound as well. `value` is the number as shown.
 */
export function marginUnder(value: Decimal, relation: Relation, limit: CompiledLimit): WrittenNumber {
  const flipped = relation === '<' ? '>' : relation === '>' ? '<' : '='
  return writeNumber(subtract(limit.value, value), limit.unit, flipped)
}

/** How far a number stays above its lower limit, negative below it, in the limit's unit. */
export function marginOver(value: Decimal, relation: Relation, limit: CompiledLimit): WrittenNumber {
  return writeNumber(subtract(value, limit.value), limit.unit, relation)
}

/** Whether the number is shown to be below zero. */
export function isBelowZero({ numerator, relation }: JudgedNumber): boolean {
  return isNegative(numerator) ? relation !== '>' : isZero(numerator) && relation === '<'
}
