import { absolute, add, compare, type Decimal, decimal, isNegative, isZero, multiply } from '../exact/decimal.ts'
import { readUnit, type UnitCode, units } from '../exact/unit-codes.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import { readingDimensions } from '../rules/words.ts'
import type { Uncertainty } from './words.ts'

/**
 * The expanded uncertainty that a calibration states for readings of one kind of test (JCGM 100:2008, 7.2: the interval
 * about a result that may be expected to hold a large share of the values that could be attributed to it).
 */

/** Why statements cannot be stored: units of another dimension than the kind's readings, ends reversed, nothing stated. */
export function checkUncertainty(statements: readonly Uncertainty[]): ContentRefusal[] {
  const refusals: ContentRefusal[] = []
  statements.forEach(({ kind, range, expanded, relative }, index) => {
    const pointer = `/uncertainty/${index}`
    const refuse = (member: string, detail: string) =>
      refusals.push({ pointer: `${pointer}${member}`, code: 'field-invalid', detail })
    const dimension = readingDimensions[kind]
    if (dimension === undefined) {
      refuse('/kind', `a step of the kind ${kind} has no number`)
      return
    }
    const isOther = (unit: string) => units[codeOf(unit) ?? '1'].dimension !== dimension
    if (!expanded && !relative) refuse('/expanded', 'is required where there is no relative')
    if (expanded) {
      if (isOther(expanded.unit)) refuse('/expanded/unit', `must be a unit of ${dimension}`)
      if (isNegative(decimal(expanded.value))) refuse('/expanded/value', 'must not be negative')
    }
    if (relative) {
      if (codeOf(relative.unit) !== '%' && codeOf(relative.unit) !== '1') refuse('/relative/unit', 'must be % or 1')
      if (isNegative(decimal(relative.value))) refuse('/relative/value', 'must not be negative')
    }
    if (!range) return
    if (isOther(range.unit)) refuse('/range/unit', `must be a unit of ${dimension}`)
    const { least, most } = range
    if (!least && !most) refuse('/range', 'must state at least one of least and most')
    if (least && most && compare(decimal(least), decimal(most)) > 0) refuse('/range/least', 'must not be above most')
  })
  return refusals
}

/** The unit that a text names; undefined where it names none. */
export function codeOf(unit: string): UnitCode | undefined {
  const code = readUnit(unit)
  return typeof code === 'string' ? code : undefined
}

/**
 * The expanded uncertainty of a reading, in the canonical unit of its dimension: `expanded` plus `relative` times the
 * reading's magnitude, by the first statement of its kind whose range holds it, ends included. Undefined where none does.
 */
export function expandedUncertainty(
  statements: readonly Uncertainty[],
  { kind, value }: { readonly kind: Uncertainty['kind']; readonly value: Decimal },
): Decimal | undefined {
  const statement = statements.find((one) => one.kind === kind && holdsReading(one.range, value))
  if (statement === undefined) return undefined
  const { expanded, relative } = statement
  const fixed = expanded ? canonicalOf(expanded.value, expanded.unit) : decimal(0)
  return relative ? add(fixed, multiply(canonicalOf(relative.value, relative.unit), absolute(value))) : fixed
}

/** Whether a stated range holds a reading (canonical unit), both ends included; an absent range holds every one. */
export function holdsReading(range: Uncertainty['range'], value: Decimal): boolean {
  if (!range) return true
  const { least, most, unit } = range
  if (least && compare(value, canonicalOf(least, unit)) < 0) return false
  return !most || compare(value, canonicalOf(most, unit)) <= 0
}

/** The canonical value of digits in a unit that was checked when it was recorded. */
export function canonicalOf(digits: string, unit: string): Decimal {
  const code = codeOf(unit)
  if (code === undefined) throw new TypeError(`'${unit}' is no unit; the calibration was not checked`)
  const value = decimal(digits)
  return isZero(value) ? value : multiply(value, units[code].factor)
}
