/** What a step is built from, and what steps of all kinds have alike. */
import { compare, type Decimal } from '../exact/decimal.ts'
import type { ProductSubject } from '../plans/physics.ts'
import type { StepKind } from '../rules/words.ts'
import { type Distribution, distributionOf, type StoredNumber } from './distribution.ts'
import { byDefault, type Miss, type Reach, type Said, word } from './said.ts'
import type { Wanted } from './wanted.ts'

/** What a step states of itself, which rules may ask for. */
export interface Stated {
  readonly method: 'two-wire' | 'four-wire'
  readonly detector: 'rms' | 'peak' | 'dc'
  readonly network: string
}

/** One stored reading of a unit that passed. Numbers are canonical. */
export interface StoredReading extends StoredNumber {
  readonly step: string
  readonly measurement: string
  readonly kind: StepKind
  readonly variant: string
  readonly detector: string | null
  /** The voltage or current that it was tested with; null where none was stored. */
  readonly testVoltage: Decimal | null
  readonly testCurrent: Decimal | null
}

export interface Building {
  readonly variants: readonly string[]
  /** Every form in which a variant is made from the proposal's beginning on. */
  readonly subjectsOf: (variant: string) => readonly ProductSubject[]
  readonly stated: Stated
  readonly reach: Reach | undefined
  /** By how much the instrument may miss what is set, where it states that. */
  readonly miss: Miss | undefined
  readonly readings: readonly StoredReading[]
  /** Variants whose readings count. */
  readonly readingsOf: readonly string[]
}

export interface Built {
  readonly step: Said
  /** Pointers begin at the step. */
  readonly open: readonly { readonly pointer: string; readonly text: string }[]
}

/** What every step has. `after` is filled in when the order is known. */
export function headOf({ step, kind, why, measurements }: Wanted): Record<string, Said> {
  return {
    step: { value: step, why: [] },
    kind: word(kind, why),
    required: word(true, byDefault('Without it a run is incomplete.')),
    after: { value: [], why: [] },
    measurements: { value: measurements, why: [] },
  }
}

interface Ends {
  readonly least?: { readonly value: Decimal } | undefined
  readonly most?: { readonly value: Decimal } | undefined
}

/** A number speaks of the proposal only where it was read with the same detector, under a stress that would be accepted. */
export interface Comparable {
  readonly detector?: string | undefined
  readonly testVoltage?: Ends | undefined
  readonly testCurrent?: Ends | undefined
}

/**
 * The distribution of a variant's readings of a step, of the measurement that reads furthest to one side, since they share
 * a limit. Undefined where any measurement has too few, or that side of it is not known.
 */
export function readingsFor(
  { step, kind, measurements }: Wanted,
  { readings, readingsOf }: Pick<Building, 'readings' | 'readingsOf'>,
  asked: { readonly variant: string; readonly side: 'lower' | 'upper'; readonly comparable: Comparable },
): Distribution | undefined {
  const { variant, side, comparable } = asked
  if (!readingsOf.includes(variant)) return undefined
  const those = readings.filter(
    (one) => one.step === step && one.kind === kind && one.variant === variant && isComparable(one, comparable),
  )
  let furthest: { readonly distribution: Distribution; readonly at: Decimal } | undefined
  for (const { measurement } of measurements) {
    const distribution = distributionOf(those.filter((one) => one.measurement === measurement))
    const at = distribution?.[side]
    if (!distribution || !at) return undefined
    const isFurther = furthest && (side === 'upper' ? compare(at, furthest.at) > 0 : compare(at, furthest.at) < 0)
    if (!furthest || isFurther) furthest = { distribution, at }
  }
  return furthest?.distribution
}

function isComparable(one: StoredReading, { detector, testVoltage, testCurrent }: Comparable): boolean {
  if (detector !== undefined && one.detector !== detector) return false
  return isWithin(one.testVoltage, testVoltage) && isWithin(one.testCurrent, testCurrent)
}

function isWithin(value: Decimal | null, ends: Ends | undefined): boolean {
  if (ends === undefined) return true
  if (value === null) return false
  if (ends.least && compare(value, ends.least.value) < 0) return false
  return !ends.most || compare(value, ends.most.value) <= 0
}
