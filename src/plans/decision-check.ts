import {
  add,
  compare,
  type Decimal,
  decimal,
  equals,
  isNegative,
  isZero,
  nearestMultiple,
  subtract,
} from '../exact/decimal.ts'
import { limitValue } from './accepted.ts'
import { canonical, quantityValue } from './windows.ts'
import { type AnySettings, type GuardBand, limitText, type PlanContent } from './words.ts'

type RefuseMember = (member: string, detail: string) => void

/**
 * Why the decision rule and the rounding of the plan do not fit what one measurement says: a rule that is not told how,
 * or told though it does not apply, would be read into the plan by whoever looks at it later.
 */
export function checkDecision(
  settings: AnySettings,
  { decisionRule, rounding }: Pick<PlanContent, 'decisionRule' | 'rounding'>,
  variants: readonly string[],
  refuse: RefuseMember,
): void {
  checkGuardBand(settings, decisionRule.kind === 'guarded', variants, refuse)
  checkRoundingRange(settings, rounding.kind === 'rounded', variants, refuse)
}

/** What the plan as a whole says of its rounding. */
export function checkRounding({ rounding }: PlanContent, refuse: (pointer: string, detail: string) => void): void {
  const isGiven = rounding.ties !== null && rounding.ties !== undefined
  if (rounding.kind === 'rounded' && !isGiven) refuse('/rounding/ties', 'is required where numbers are rounded')
  if (rounding.kind === 'absolute' && isGiven) refuse('/rounding/ties', 'is not for numbers compared as they are')
}

function checkGuardBand(
  settings: AnySettings,
  isGuarded: boolean,
  variants: readonly string[],
  refuse: RefuseMember,
): void {
  const { guardBand } = settings
  if (!isGuarded) {
    if (guardBand) refuse('guardBand', 'is for the decision rule guarded alone')
    return
  }
  if (!guardBand) {
    refuse('guardBand', 'is required by the decision rule guarded')
    return
  }
  const { value, unit, multiple } = guardBand
  if (multiple !== null && multiple !== undefined) {
    if (value || unit) refuse('guardBand/multiple', 'must not stand beside value and unit')
    else if (isNotAboveZero(decimal(multiple))) refuse('guardBand/multiple', 'must be above zero')
    return
  }
  const width = guardBandWidth(guardBand)
  if (width === undefined)
    refuse(value ? 'guardBand/unit' : 'guardBand/value', 'is required where there is no multiple')
  else if (isNegative(width)) refuse('guardBand/value', 'must not be negative')
  else checkRoom(settings, width, variants, (detail) => refuse('guardBand', detail))
}

/** An absolute guard band in the canonical unit; undefined where it is none. */
export function guardBandWidth({ value, unit }: GuardBand): Decimal | undefined {
  return value && unit ? canonical(value, unit) : undefined
}

/** Something must be left that passes. */
function checkRoom(
  settings: AnySettings,
  width: Decimal,
  variants: readonly string[],
  refuse: (detail: string) => void,
): void {
  for (const variant of variants) {
    const upper = limitValue(settings.limitUpper, variant)
    const lower = limitValue(settings.limitLower, variant)
    if (upper === undefined) continue
    const minimum = 'openLeadMinimum' in settings ? settings.openLeadMinimum : undefined
    const floor = lower === undefined ? (minimum ? quantityValue(minimum) : decimal(0)) : add(lower, width)
    if (compare(subtract(upper, width), floor) < 0) {
      refuse('leaves no number that would pass')
      return
    }
  }
}

function checkRoundingRange(
  settings: AnySettings,
  isRounded: boolean,
  variants: readonly string[],
  refuse: RefuseMember,
): void {
  const { roundingRange } = settings
  if (!isRounded) {
    if (roundingRange) refuse('roundingRange', 'is for rounded numbers alone')
    return
  }
  if (!roundingRange) {
    refuse('roundingRange', 'is required where numbers are rounded')
    return
  }
  const range = quantityValue(roundingRange)
  if (isNotAboveZero(range)) {
    refuse('roundingRange/value', 'must be above zero')
    return
  }
  for (const member of ['limitUpper', 'limitLower'] as const) {
    const limit = settings[member]
    if (!limit) continue
    // A limit between two multiples would be met by numbers beyond it, or missed by numbers within.
    for (const variant of variants) {
      const value = limitValue(limit, variant)
      if (value === undefined) continue
      const nearest = nearestMultiple({ numerator: value, divisor: null }, range, 'half-even')
      if (equals(nearest, value)) continue
      const shown = `${limitText(limit, variant)} ${limit.unit}`
      refuse('roundingRange', `the ${member} ${shown} is no multiple of it`)
      return
    }
  }
}

function isNotAboveZero(value: Decimal): boolean {
  return isNegative(value) || isZero(value)
}
