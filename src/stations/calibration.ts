import { endOfLocalDay } from '../exact/time.ts'
import { isKnown, type Recorded } from './knowledge.ts'
import type { Uncertainty } from './words.ts'

/** One calibration of an instrument. */
export interface Calibration extends Recorded {
  readonly calibration: string
  readonly instrument: string
  /** Milliseconds since the epoch. */
  readonly performedAt: number
  /** A day of the calendar, YYYY-MM-DD: the calibration holds to the end of it in the site's zone. */
  readonly dueOn: string
  /** What it states of the uncertainty of readings. */
  readonly uncertainty: readonly Uncertainty[]
}

export type CalibrationState =
  | {
      readonly state: 'current' | 'expired'
      readonly calibration: Calibration /** First instant without it. */
      readonly endsAt: number
    }
  | { readonly state: 'none' }

/**
 * The state of one instrument's calibration at `at` (milliseconds since the epoch): the one performed last before or
 * at that instant counts, even where an earlier one is due later, because it is the newer statement about the
 * instrument. Of two performed at one instant the one recorded later counts. `calibrations` are those of the
 * instrument, in any order; `timeZone` is the site's.
 */
export function calibrationAt(
  calibrations: readonly Calibration[],
  at: number,
  timeZone: string,
  knownBy?: number,
): CalibrationState {
  let last: Calibration | undefined
  for (const calibration of calibrations) {
    if (calibration.performedAt > at || !isKnown(calibration, knownBy)) continue
    if (last === undefined || isAfter(calibration, last)) last = calibration
  }
  if (last === undefined) return { state: 'none' }
  const endsAt = endOfLocalDay(last.dueOn, timeZone)
  return { state: at < endsAt ? 'current' : 'expired', calibration: last, endsAt }
}

function isAfter(one: Calibration, other: Calibration): boolean {
  if (one.performedAt !== other.performedAt) return one.performedAt > other.performedAt
  if (one.recordedAt !== other.recordedAt) return one.recordedAt > other.recordedAt
  return one.calibration > other.calibration
}
