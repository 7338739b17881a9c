import { compare, type Decimal } from '../exact/decimal.ts'
import { writeQuantity } from '../exact/quantity.ts'
import type { Bound, CompiledLimit, CompiledMeasurement, CompiledRevision } from '../judging/compile.ts'
import { type PreparedSteps, prepareRevision } from '../plans/prepare.ts'
import type { StepAttributes } from '../plans/rule-timeline.ts'
import type { PlanContent } from '../plans/words.ts'
import type { Demand } from '../rules/demand.ts'
import { meetRequirements, type Requirement } from '../rules/requirements.ts'
import type { StepKind } from '../rules/words.ts'

/** What one edition demands of a step of a kind that states this of itself. */
export type DemandsOf = (kind: StepKind, step: StepAttributes) => readonly Requirement[]

/**
 * The revision as the judge reads it, had it kept to what an edition demands: each limit, and each window of a stress that
 * a run shows, moved as far as the demand that it does not meet, and no further. Undefined where nothing moves.
 *
 * Of alternatives (hit policies C, R, O) the one that the revision departs from least is demanded, as in its findings: the
 * fewest demands not met, then the smallest relative shortfall. What only warns demands nothing, nor does what cannot be
 * settled. Nothing is asked of a run about parameters that no run shows as such: trip current, source voltage, rate of
 * rise, whether the limit holds in the ramp, order and presence of steps. An open end of a range counts as its value for a
 * window, which includes its ends.
 */
export function tightenedRevision(
  content: PlanContent,
  own: CompiledRevision,
  demandsOf: DemandsOf,
): CompiledRevision | undefined {
  const read = prepareRevision(content)
  if ('refused' in read) throw new TypeError(`the content cannot be read: ${read.refused}`)
  let isMoved = false
  const steps = own.steps.map((step, index) => {
    const demands = unmetOf(read.prepared.planned.steps[index], own.variant, demandsOf)
    if (demands.size === 0) return step
    const measurements = step.measurements.map((one) => {
      const made = (demands.get(one.measurement) ?? []).reduce(tightened, one)
      isMoved ||= made !== one
      return made
    })
    return { ...step, measurements }
  })
  return isMoved ? { ...own, steps } : undefined
}

/** By measurement, the demands that it does not meet. */
function unmetOf(
  prepared: PreparedSteps['steps'][number] | undefined,
  variant: string,
  demandsOf: DemandsOf,
): Map<string, Demand[]> {
  const unmet = new Map<string, Demand[]>()
  if (prepared === undefined) throw new TypeError('a compiled revision has the steps of its content')
  for (const { measurements, attributes, accepted } of prepared.groups) {
    const requirements = demandsOf(prepared.step.kind, attributes)
    if (requirements.length === 0) continue
    const demands = meetRequirements(requirements, accepted(variant)).flatMap((outcome) =>
      outcome.outcome === 'not-met' && outcome.severity === 'blocking'
        ? outcome.comparisons.filter(({ met }) => !met).map(({ demand }) => demand)
        : [],
    )
    if (demands.length > 0) for (const measurement of measurements) unmet.set(measurement, demands)
  }
  return unmet
}

interface End {
  readonly bound: Bound
  readonly open: boolean
}

/** The least and the most that a demand leaves; null: it sets none. */
function endsOf(demand: Demand): { readonly least: End | null; readonly most: End | null } {
  if (demand.kind !== 'number' && demand.kind !== 'range') return { least: null, most: null }
  const end = (value: Decimal, open: boolean): End => {
    const { unit } = demand
    return { bound: { value, unit, text: `${writeQuantity(value, unit).value} ${unit}` }, open }
  }
  if (demand.kind === 'range') {
    const { lower, upper } = demand
    return { least: end(lower.value, lower.open), most: end(upper.value, upper.open) }
  }
  const { value, relation } = demand
  return { least: relation === '<=' ? null : end(value, false), most: relation === '>=' ? null : end(value, false) }
}

function tightened(one: CompiledMeasurement, demand: Demand): CompiledMeasurement {
  const { least, most } = endsOf(demand)
  const { parameter } = demand
  if (parameter === 'limitUpper') {
    const limitUpper = most === null ? one.limitUpper : nearer(one.limitUpper, most, -1)
    return limitUpper === one.limitUpper ? one : { ...one, limitUpper }
  }
  if (parameter === 'limitLower') {
    const limitLower = least === null ? one.limitLower : nearer(one.limitLower, least, 1)
    return limitLower === one.limitLower ? one : { ...one, limitLower }
  }
  if (parameter === 'residualVoltage') {
    const before = one.residualVoltageMost
    const isLess = most !== null && (before === null || compare(most.bound.value, before.value) < 0)
    return isLess ? { ...one, residualVoltageMost: most.bound } : one
  }
  let isMoved = false
  const stresses = one.stresses.map((stress) => {
    if (stress.name !== parameter) return stress
    const isMore = least !== null && (stress.least === null || compare(least.bound.value, stress.least.value) > 0)
    const isLess = most !== null && (stress.most === null || compare(most.bound.value, stress.most.value) < 0)
    isMoved ||= isMore || isLess
    return { ...stress, ...(isMore && { least: least.bound }), ...(isLess && { most: most.bound }) }
  })
  return isMoved ? { ...one, stresses } : one
}

/** The nearer of a limit and an end: the lesser (-1) of upper ones, the greater (1) of lower ones. */
function nearer(limit: CompiledLimit | null, { bound, open }: End, side: -1 | 1): CompiledLimit {
  const order = limit === null ? side : compare(bound.value, limit.value)
  if (limit !== null && (order === 0 ? !open || !limit.inclusive : order !== side)) return limit
  const { value, unit } = bound
  const written = Object.freeze({ value: writeQuantity(value, unit).value, unit })
  return { ...bound, inclusive: !open && (limit?.inclusive ?? true), written }
}
