import { type MeasurementJudgement, type Surroundings, withStation } from './judgement.ts'
import { isProperEnd, isTrip, type MeasurementAt } from './validity.ts'
import type { Reason, Verdict } from './words.ts'

/**
 * Judges what a person looked at. Nonconforming is a fail however the look ended; without a word nothing was looked at,
 * whatever its end.
 */
export function judgeInspection(
  { planned, measurement }: MeasurementAt,
  orderBroken: Reason | null,
  around: Surroundings,
): MeasurementJudgement {
  const reasons: Reason[] = []
  const own = decide()
  const verdict = withStation(own, measurement.stationVerdict, reasons, around.notes)
  return { measurement: planned.measurement, verdict, reasons }

  function decide(): Verdict {
    const { conformity, termination } = measurement
    if (isTrip(termination)) {
      reasons.push({ code: termination, facts: {} })
      return 'fail'
    }
    if (conformity === 'nonconforming') {
      reasons.push({ code: 'nonconforming', facts: {} })
      return 'fail'
    }
    if (!isProperEnd(termination)) reasons.push({ code: termination, facts: {} })
    if (conformity === undefined) reasons.push({ code: 'conformity-missing', facts: {} })
    if (orderBroken !== null) reasons.push(orderBroken)
    return reasons.length > 0 ? 'invalid' : 'pass'
  }
}
