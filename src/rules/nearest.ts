/**
 * The value nearest to what a plan would accept that a demand would let stand. Only what must move moves: where one end
 * of a window has to pass the other, the other goes along.
 */
import { compare, type Decimal, equals, greatest, least, multiply } from '../exact/decimal.ts'
import { inUnit, writeQuantity } from '../exact/quantity.ts'
import { type UnitCode, units } from '../exact/unit-codes.ts'
import type { Demand, DemandComparison, Written } from './demand.ts'
import type { End } from './feel-parse.ts'
import type { Parameter } from './words.ts'

/** Parameters that a plan states as one value, where all others are windows. */
const single: ReadonlySet<Parameter> = new Set(['tripCurrent', 'limitUpper', 'limitLower'])

interface Ends {
  readonly least?: End<Decimal> | undefined
  readonly most?: End<Decimal> | undefined
}

/**
 * What would conform, in the unit that the plan uses where its numbers are exact there, else in the rule's; null where the
 * demand is met, or is no number or yes or no. At an open end there is no nearest number, so the end is named as open.
 */
export function writeNearest({ demand, accepted, met }: DemandComparison, unit: UnitCode | undefined): Written {
  if (met || demand.kind === 'kinds') return null
  if (demand.kind === 'flag') return demand.flag
  const window = accepted === 'absent' || 'flag' in accepted || 'kinds' in accepted ? {} : accepted
  return writeEnds(demand.parameter, nearestEnds(demand, window), [unit ?? demand.unit, demand.unit])
}

type Window = { readonly least?: Decimal | undefined; readonly most?: Decimal | undefined }

function nearestEnds(demand: Demand & { kind: 'number' | 'range' }, { least: from, most: to }: Window): Ends {
  if (demand.kind === 'range') {
    const { lower, upper } = demand
    return { least: inside(from, lower, upper) ?? lower, most: inside(to, lower, upper) ?? upper }
  }
  const at = closed(demand.value)
  switch (demand.relation) {
    case '=':
      return { least: at, most: at }
    case '>=':
      return { least: from ? closed(greatest(from, demand.value)) : at, most: to && closed(greatest(to, demand.value)) }
    case '<=':
      return { least: from && closed(least(from, demand.value)), most: to ? closed(least(to, demand.value)) : at }
  }
}

/** The value itself where it lies in the range, else the end that it lies beyond. */
function inside(value: Decimal | undefined, lower: End<Decimal>, upper: End<Decimal>): End<Decimal> | undefined {
  if (!value) return undefined
  const atLower = compare(value, lower.value)
  if (atLower < 0 || (atLower === 0 && lower.open)) return lower
  const atUpper = compare(value, upper.value)
  return atUpper > 0 || (atUpper === 0 && upper.open) ? upper : closed(value)
}

function closed(value: Decimal): End<Decimal> {
  return { value, open: false }
}

/** Minutes and hours have no exact reciprocal: a value that is not the same there would not conform by a hair. */
function writeEnds(parameter: Parameter, { least: from, most: to }: Ends, [plan, rule]: [UnitCode, UnitCode]): Written {
  const isExact = [from, to].every(
    (end) => !end || equals(multiply(inUnit(end.value, plan), units[plan].factor), end.value),
  )
  const unit = isExact ? plan : rule
  const text = ({ value }: End<Decimal>) => writeQuantity(value, unit).value
  const one = from ?? to
  if (single.has(parameter) && one && !one.open) return { value: text(one), unit }
  return {
    ...(from && { [from.open ? 'above' : 'least']: text(from) }),
    ...(to && { [to.open ? 'below' : 'most']: text(to) }),
    unit,
  }
}
