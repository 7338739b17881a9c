import { compare, type Decimal, formatDecimal } from '../exact/decimal.ts'
import { readQuantity } from '../exact/quantity.ts'
import type { CompiledLimit, CompiledMeasurement, CompiledRevision } from '../judging/compile.ts'
import type { StoredRun } from './rejudge.ts'

/**
 * Which runs need not be judged again, told from the stored judgement alone. A screen never decides that a run gets
 * worse: it only says of which runs nothing can have changed, and whatever it is unsure of is judged from its bytes.
 */

/** The measurements whose limits differ, by their place in both revisions. */
export type Screen = readonly {
  readonly step: number
  readonly place: number
  readonly limitUpper: CompiledLimit | null
  readonly limitLower: CompiledLimit | null
}[]

/** A limit of so many significant digits is held exactly by a quotient as it is shown. */
const SHOWN_DIGITS = 12

/**
 * The screen between two revisions. Null where they differ in more than plain limits, or where a limit that differs is
 * used for more than to place the number: then every run is judged again.
 */
export function screenBetween(from: CompiledRevision, to: CompiledRevision): Screen | null {
  if (textOf(withoutLimits(from)) !== textOf(withoutLimits(to))) return null
  const changed: Screen[number][] = []
  for (const [step, planned] of from.steps.entries()) {
    for (const [place, before] of planned.measurements.entries()) {
      const after = to.steps[step]?.measurements[place]
      if (after === undefined) return null
      if (textOf(placingOf(before)) === textOf(placingOf(after))) continue
      if (!isPlain(after)) return null
      changed.push({ step, place, limitUpper: after.limitUpper, limitLower: after.limitLower })
    }
  }
  return changed
}

/** Whether the run's verdict is certainly the same by the later revision. */
export function isUnchanged(screen: Screen, run: StoredRun): boolean {
  if (run.verdict !== 'pass') return screen.length === 0
  return screen.every(({ step, place, limitUpper, limitLower }) => {
    const judged = run.steps[step]
    if (judged?.verdict === 'not-run') return true
    const measurement = judged?.measurements[place]
    if (measurement?.verdict !== 'pass' || measurement.judged === undefined) return false
    const read = readQuantity(measurement.judged)
    if (!('quantity' in read) || read.quantity.relation !== '=') return false
    const { value } = read.quantity
    // Strictly inside: rounding to the digits shown keeps the order, but may make equal what was not.
    return (
      (limitUpper === null || compare(value, limitUpper.value) < 0) &&
      (limitLower === null || compare(value, limitLower.value) > 0)
    )
  })
}

function isPlain({ guardBand, roundingRange, limitInRamp, limitUpper, limitLower }: CompiledMeasurement): boolean {
  if (guardBand !== null || roundingRange !== null || limitInRamp) return false
  return [limitUpper, limitLower].every((limit) => limit === null || digitsOf(limit.value) <= SHOWN_DIGITS)
}

function digitsOf(value: Decimal): number {
  return formatDecimal(value).replace(/^[-0.]+|\./g, '').length
}

function placingOf({ limitUpper, limitLower }: CompiledMeasurement) {
  return [limitUpper, limitLower].map((limit) => limit && [limit.value, limit.inclusive])
}

function withoutLimits(revision: CompiledRevision) {
  const steps = revision.steps.map((step) => ({
    ...step,
    measurements: step.measurements.map((one) => ({ ...one, limitUpper: null, limitLower: null })),
  }))
  return { ...revision, steps }
}

function textOf(value: unknown): string {
  return JSON.stringify(value, (_, inner: unknown) => (typeof inner === 'bigint' ? `${inner}n` : inner))
}
