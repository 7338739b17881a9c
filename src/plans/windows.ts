import { type Decimal, decimal, multiply } from '../exact/decimal.ts'
import { units } from '../exact/unit-codes.ts'
import { type PlanQuantity, unitCode, type Window } from './words.ts'

/** Ends of a window in canonical units, both included. An absent end is unbounded. */
export interface Ends {
  readonly least?: Decimal
  readonly most?: Decimal
}

/** The canonical value of digits in a unit, both as the content's schema let them through. */
export function canonical(digits: string, unit: string): Decimal {
  return multiply(decimal(digits), units[unitCode(unit)].factor)
}

/** The canonical value of a quantity of the plan. */
export function quantityValue({ value, unit }: PlanQuantity): Decimal {
  return canonical(value, unit)
}

/**
 * What the plan accepts as a valid test. A window that only sets a value has that value as both ends; one that states an
 * end leaves the other unbounded if it does not state it, since no run would be refused there.
 */
export function acceptedEnds(window: Window): Ends {
  const { least, most } = window
  return isGiven(least) || isGiven(most) ? endsOf(window, { least, most }) : plannedEnds(window)
}

/** What is to be expected in a test: the ends, and the value set in place of one that is not stated. */
export function plannedEnds(window: Window): Ends {
  return endsOf(window, { least: window.least ?? window.set, most: window.most ?? window.set })
}

/** The canonical value set, if any. */
export function valueSet({ set, unit }: Window): Decimal | undefined {
  return isGiven(set) ? canonical(set, unit) : undefined
}

function endsOf({ unit }: Window, { least, most }: Pick<Window, 'least' | 'most'>): Ends {
  return {
    ...(isGiven(least) && { least: canonical(least, unit) }),
    ...(isGiven(most) && { most: canonical(most, unit) }),
  }
}

function isGiven<Value>(value: Value | null | undefined): value is Value {
  return value !== null && value !== undefined
}
