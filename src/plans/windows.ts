import { type Decimal, decimal, multiply } from '../exact/decimal.ts'
import { units } from '../exact/unit-codes.ts'
import { type PlanQuantity, unitCode, type Window } from './words.ts'

/** Ends of a window in canonical units, both included. An absent end is unbounded. */
export interface Ends {
  readonly least?: Decimal
  readonly most?: Decimal
}

/** The members of a step, or of a measurement, that are windows. */
export const windowNames = [
  'testCurrent',
  'sourceVoltage',
  'dwell',
  'testVoltage',
  'rampUp',
  'rampDown',
  'frequency',
  'readAt',
  'residualVoltage',
  'supplyVoltage',
] as const
export type WindowName = (typeof windowNames)[number]

/** The stress itself. Less of it than was set is no test, so the value set is its least where no least is stated. */
const floored: ReadonlySet<WindowName> = new Set([
  'testVoltage',
  'testCurrent',
  'supplyVoltage',
  'dwell',
  'readAt',
] as const)

/** Whether a window of this name must have a least: stated, or the value set in its place. */
export function needsLeast(name: WindowName): boolean {
  return floored.has(name)
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
 * What the plan accepts as a valid test. A window that only sets a value has that value as both ends. One that states an
 * end leaves the other unbounded if it does not state it, since no run would be refused there; but a stress is never
 * accepted below the value set.
 */
export function acceptedEnds(name: WindowName, window: Window): Ends {
  const { set, least, most } = window
  if (!isGiven(least) && !isGiven(most)) return plannedEnds(window)
  return endsOf(window, { least: least ?? (needsLeast(name) ? set : null), most })
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
