import { add, type Decimal, equals, multiply, nearestMultiple, subtract, type TieRule } from '../exact/decimal.ts'
import { expandedUncertainty } from '../stations/uncertainty.ts'
import type { Uncertainty } from '../stations/words.ts'
import type { CompiledLimit, CompiledMeasurement } from './compile.ts'
import { type JudgedNumber, type Placing, placeOver, placeUnder } from './limit.ts'
import type { ReadNumber } from './reading.ts'

/** What is known of the instrument at the start of the run. */
export interface InstrumentState {
  /** As the calibration cited states it; empty where it states nothing. */
  readonly uncertainty: readonly Uncertainty[]
}

export const NOTHING_KNOWN: InstrumentState = Object.freeze({ uncertainty: Object.freeze([]) })

/** The limits by which a guarded rule accepts, canonical units; null where the measurement has no such limit. */
export interface Acceptance {
  /** The guard band `w`. */
  readonly width: Decimal
  readonly upper: AcceptanceLimit | null
  readonly lower: AcceptanceLimit | null
}

/** As inclusive as the limit that it stands in for. */
export interface AcceptanceLimit {
  readonly value: Decimal
  readonly inclusive: boolean
}

/**
 * The acceptance limits of a measurement whose number, as shown, is `value`: the limits moved inwards by the guard band
 * (JCGM 106:2012, 8.3.2). Null where the decision rule is simple; undefined where the band is a multiple of an
 * uncertainty that nobody has stated for this kind and number.
 */
export function acceptanceOf(
  { guardBand, kind, limitUpper, limitLower }: CompiledMeasurement,
  value: Decimal,
  { uncertainty }: InstrumentState,
): Acceptance | null | undefined {
  if (guardBand === null) return null
  let width: Decimal
  if (guardBand.width === null) {
    const expanded = expandedUncertainty(uncertainty, { kind, value })
    if (expanded === undefined) return undefined
    width = multiply(guardBand.multiple, expanded)
  } else width = guardBand.width.value
  return { width, upper: moved(limitUpper, width, subtract), lower: moved(limitLower, width, add) }
}

function moved(
  limit: CompiledLimit | null,
  width: Decimal,
  move: (value: Decimal, by: Decimal) => Decimal,
): AcceptanceLimit | null {
  return limit && { value: move(limit.value, width), inclusive: limit.inclusive }
}

/** Where a number lies against the acceptance limits: the worse of the two. `beyond` here means in the guard band. */
export function placeInAcceptance(number: JudgedNumber, { upper, lower }: Acceptance): Placing {
  const under = upper === null ? 'within' : placeUnder(number, upper)
  const over = lower === null ? 'within' : placeOver(number, lower)
  if (under === 'beyond' || over === 'beyond') return 'beyond'
  return under === 'undecided' || over === 'undecided' ? 'undecided' : 'within'
}

/**
 * The number that is compared: rounded to a multiple of the rounding range where the plan rounds, else as it is. Of a
 * censored number only a bound is known, and what lies just beyond the bound may round to the bound's own multiple; so
 * the bound is rounded away from the side on which the number lies, and then belongs to it.
 */
export function roundNumber(number: JudgedNumber, range: Decimal | null, ties: TieRule): JudgedNumber {
  if (range === null) return number
  const { relation } = number
  const rule = relation === '=' ? ties : relation === '>' ? 'up' : 'down'
  return { numerator: nearestMultiple(number, range, rule), divisor: null, relation, isBoundIncluded: relation !== '=' }
}

/** A reading with its number rounded; the same object where nothing is rounded. */
export function roundReading(read: ReadNumber, range: Decimal | null, ties: TieRule): ReadNumber {
  if (range === null) return read
  const number = roundNumber(read.number, range, ties)
  if (equals(number.numerator, read.shown)) return { ...read, number }
  return { number, shown: number.numerator, received: undefined }
}
