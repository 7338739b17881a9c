/**
 * One demand of a row compared with what a revision would accept. A demand is compared with the least or the most that
 * would be accepted as valid, never with the value set: what may happen in a test counts, not what is meant to happen.
 */
import {
  absolute,
  compare,
  type Decimal,
  equals,
  greatest,
  isNegative,
  isZero,
  multiply,
  negate,
  ONE,
  subtract,
  ZERO,
} from '../exact/decimal.ts'
import { writeQuantity } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { End } from './feel-parse.ts'
import type { Parameter, RequirementCode, RuleRelation, StepKind } from './words.ts'

/** What one cell of a row demands of one parameter. Numbers are canonical; `unit` is the output column's. */
export type Demand =
  | {
      readonly kind: 'number'
      readonly parameter: Parameter
      readonly relation: '>=' | '<=' | '='
      readonly unit: UnitCode
      readonly value: Decimal
    }
  | {
      readonly kind: 'range'
      readonly parameter: Parameter
      readonly relation: 'in'
      readonly unit: UnitCode
      readonly lower: End<Decimal>
      readonly upper: End<Decimal>
    }
  | { readonly kind: 'flag'; readonly parameter: Parameter; readonly relation: '='; readonly flag: boolean }
  | {
      readonly kind: 'kinds'
      readonly parameter: Parameter
      readonly relation: 'in'
      readonly kinds: readonly StepKind[]
    }

/**
 * What a revision would accept for a parameter: a window in canonical units, both ends included, an absent end being
 * unbounded (a single value is both ends); a yes or no; kinds of step (present and required, or not run before this
 * one); or nothing.
 */
export type AcceptedValue =
  | { readonly least?: Decimal | undefined; readonly most?: Decimal | undefined }
  | { readonly flag: boolean }
  | { readonly kinds: readonly StepKind[] }
  | 'absent'

export type Accepted = (parameter: Parameter) => AcceptedValue

export interface DemandComparison {
  readonly demand: Demand
  readonly accepted: AcceptedValue
  readonly met: boolean
  /** Why it is not met. */
  readonly code?: RequirementCode
  /** How far the accepted value is inside the demand (canonical), negative outside; only where both are numbers. */
  readonly margin?: Decimal
  /** The demanded number that the margin is measured from. */
  readonly reference?: Decimal
}

/** Whether two rows of one table demand the same. */
export function sameDemands(a: readonly Demand[], b: readonly Demand[]): boolean {
  return a.length === b.length && a.every((demand, index) => isSame(demand, b[index]))
}

function isSame(a: Demand, b: Demand | undefined): boolean {
  if (a.parameter !== b?.parameter || a.relation !== b.relation) return false
  switch (a.kind) {
    case 'number':
      return b.kind === 'number' && equals(a.value, b.value)
    case 'range':
      return b.kind === 'range' && isSameEnd(a.lower, b.lower) && isSameEnd(a.upper, b.upper)
    case 'flag':
      return b.kind === 'flag' && a.flag === b.flag
    case 'kinds':
      // Both stand in the order of the list of kinds.
      return b.kind === 'kinds' && a.kinds.join() === b.kinds.join()
  }
}

function isSameEnd(a: End<Decimal>, b: End<Decimal>): boolean {
  return a.open === b.open && equals(a.value, b.value)
}

export function compareDemand(demand: Demand, accepted: AcceptedValue): DemandComparison {
  if (accepted === 'absent') return { demand, accepted, met: false, code: 'parameter-absent' }
  switch (demand.kind) {
    case 'flag':
      return outright(demand, accepted, 'flag' in accepted && accepted.flag === demand.flag)
    case 'kinds':
      if (!('kinds' in accepted)) return outright(demand, accepted, false)
      return outright(demand, ofDemand(demand, accepted), holdsKinds(demand, accepted.kinds))
    case 'number':
    case 'range':
      if ('flag' in accepted || 'kinds' in accepted) return outright(demand, accepted, false)
      return demand.kind === 'range' ? compareRange(demand, accepted) : compareNumber(demand, accepted)
  }
}

/** Of the kinds that come later, those that were asked about: a plan without a kind runs none of it too early. */
function ofDemand({ parameter, kinds }: Demand & { kind: 'kinds' }, accepted: { readonly kinds: readonly StepKind[] }) {
  return parameter === 'precedes' ? { kinds: kinds.filter((kind) => accepted.kinds.includes(kind)) } : accepted
}

/** Of the kinds that must be present one is enough; of those that must come later, all. */
function holdsKinds({ parameter, kinds }: Demand & { kind: 'kinds' }, accepted: readonly StepKind[]): boolean {
  const isHeld = (kind: StepKind) => accepted.includes(kind)
  return parameter === 'precedes' ? kinds.every(isHeld) : kinds.some(isHeld)
}

function outright(demand: Demand, accepted: AcceptedValue, met: boolean): DemandComparison {
  return met ? { demand, accepted, met } : { demand, accepted, met, code: 'requirement-not-met' }
}

type Window = Exclude<AcceptedValue, 'absent' | { flag: boolean } | { kinds: readonly StepKind[] }>

function compareNumber(demand: Demand & { kind: 'number' }, accepted: Window): DemandComparison {
  const { relation, value } = demand
  const { least: lowest, most: highest } = accepted
  if ((relation !== '<=' && !lowest) || (relation !== '>=' && !highest)) {
    return { demand, accepted, met: false, code: 'parameter-unbounded' }
  }
  const below = lowest && subtract(lowest, value)
  const above = highest && subtract(value, highest)
  switch (relation) {
    case '>=':
      return measured(demand, accepted, { margin: below ?? ZERO, reference: value, open: false })
    case '<=':
      return measured(demand, accepted, { margin: above ?? ZERO, reference: value, open: false })
    case '=': {
      const apart = greatest(absolute(below ?? ZERO), absolute(above ?? ZERO))
      return measured(demand, accepted, { margin: negate(apart), reference: value, open: false })
    }
  }
}

function compareRange(demand: Demand & { kind: 'range' }, accepted: Window): DemandComparison {
  const { lower, upper } = demand
  if (!accepted.least || !accepted.most) return { demand, accepted, met: false, code: 'parameter-unbounded' }
  const atLower = { margin: subtract(accepted.least, lower.value), reference: lower.value, open: lower.open }
  const atUpper = { margin: subtract(upper.value, accepted.most), reference: upper.value, open: upper.open }
  const closer = compare(atLower.margin, atUpper.margin)
  // Of two equal margins the one at an open end decides, since it may fail where the other does not.
  return measured(demand, accepted, closer < 0 || (closer === 0 && lower.open) ? atLower : atUpper)
}

/** Judges by the margin: at an open end none is not enough. */
function measured(
  demand: Demand,
  accepted: AcceptedValue,
  { margin, reference, open }: { margin: Decimal; reference: Decimal; open: boolean },
): DemandComparison {
  const met = !isNegative(margin) && !(open && isZero(margin))
  return met
    ? { demand, accepted, met, margin, reference }
    : { demand, accepted, met, code: 'requirement-not-met', margin, reference }
}

/** A margin relative to the number demanded, kept as a fraction so that comparing two is exact and needs no division. */
export interface RelativeMargin {
  readonly margin: Decimal
  /** Not negative; zero makes the fraction infinite, with the sign of `margin`. */
  readonly base: Decimal
}

const outOfReach: RelativeMargin = { margin: negate(ONE), base: ZERO }

/** The relative margin; undefined where a demand without numbers is met, which nothing could meet better or worse. */
export function relativeMargin({ met, margin, reference }: DemandComparison): RelativeMargin | undefined {
  if (!margin || !reference) return met ? undefined : outOfReach
  return { margin, base: isZero(margin) ? ONE : absolute(reference) }
}

export function compareRelative(a: RelativeMargin, b: RelativeMargin): -1 | 0 | 1 {
  return compare(multiply(a.margin, b.base), multiply(b.margin, a.base))
}

/** The least of relative margins; undefined of none. */
export function leastRelative(margins: Iterable<RelativeMargin | undefined>): RelativeMargin | undefined {
  let chosen: RelativeMargin | undefined
  for (const margin of margins) if (margin && (!chosen || compareRelative(margin, chosen) < 0)) chosen = margin
  return chosen
}

export type WrittenQuantity = { readonly value: string; readonly unit: UnitCode }

/** A value as a finding shows it. Open ends are words of their own, as an interval has no other sign in JSON. */
export type Written =
  | WrittenQuantity
  | {
      readonly least?: string
      readonly most?: string
      readonly above?: string
      readonly below?: string
      readonly unit: UnitCode
    }
  | boolean
  | readonly StepKind[]
  | null

export interface WrittenComparison {
  readonly parameter: Parameter
  readonly relation: RuleRelation
  readonly demanded: Written
  readonly accepted: Written
  readonly margin: WrittenQuantity | null
}

/** The numbers of a comparison in the unit of the output column, for findings. */
export function writeComparison({ demand, accepted, margin }: DemandComparison): WrittenComparison {
  const unit = 'unit' in demand ? demand.unit : undefined
  return {
    parameter: demand.parameter,
    relation: demand.relation,
    demanded: writeDemand(demand),
    accepted: writeAccepted(accepted, unit),
    margin: margin && unit ? { value: writeQuantity(margin, unit).value, unit } : null,
  }
}

function writeDemand(demand: Demand): Written {
  switch (demand.kind) {
    case 'number':
      return { value: writeQuantity(demand.value, demand.unit).value, unit: demand.unit }
    case 'range':
      return {
        [demand.lower.open ? 'above' : 'least']: writeQuantity(demand.lower.value, demand.unit).value,
        [demand.upper.open ? 'below' : 'most']: writeQuantity(demand.upper.value, demand.unit).value,
        unit: demand.unit,
      }
    case 'flag':
      return demand.flag
    case 'kinds':
      return demand.kinds
  }
}

function writeAccepted(accepted: AcceptedValue, unit: UnitCode | undefined): Written {
  if (accepted === 'absent') return null
  if ('flag' in accepted) return accepted.flag
  if ('kinds' in accepted) return accepted.kinds
  if (!unit) return null
  const { least: lowest, most: highest } = accepted
  return {
    ...(lowest && { least: writeQuantity(lowest, unit).value }),
    ...(highest && { most: writeQuantity(highest, unit).value }),
    unit,
  }
}
