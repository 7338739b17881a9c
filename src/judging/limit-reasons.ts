import type { CompiledLimit } from './compile.ts'
import { type Placings, placeOver, type WrittenNumber } from './limit.ts'
import { isPathResistance, quantityText, type ReadNumber, readingOf, testCurrentOf, writeJudged } from './reading.ts'
import { type MeasurementAt, stressOf } from './validity.ts'
import type { Reason } from './words.ts'

/** What the trip left: the number shown, or that the current was more than the trip's. */
export function tripFacts({ planned, step, measurement }: MeasurementAt): Record<string, string> {
  const facts: Record<string, string> = {}
  const quantity = readingOf(measurement)
  if (quantity !== undefined) facts['shown'] = quantityText(quantity)
  else if (measurement.termination === 'over-current' && planned.tripCurrent !== null) {
    facts['shown'] = `>${planned.tripCurrent.text}`
  }
  const voltage = stressOf('testVoltage', { planned, step, measurement })
  if (voltage !== undefined && voltage !== 'no-reading') facts['reached'] = quantityText(voltage)
  return facts
}

export function limitReasons(
  at: MeasurementAt,
  read: ReadNumber | undefined,
  { upper, lower, ramp }: Placings,
  reasons: Reason[],
): void {
  const { limitUpper, limitLower, openLeadMinimum } = at.planned
  const isFail = upper === 'beyond' || lower === 'beyond' || ramp === 'beyond'
  const about = (limit: CompiledLimit): Record<string, string> => ({
    reading: read === undefined ? '' : numberText(writeJudged(read, limit.unit)),
    limit: limit.text,
    inclusive: String(limit.inclusive),
  })
  if (limitUpper !== null && upper === 'beyond') reasons.push({ code: 'above-limit', facts: about(limitUpper) })
  if (limitLower !== null && lower === 'beyond') reasons.push({ code: 'below-limit', facts: about(limitLower) })
  const highest = stressOf('highestInRamp', at)
  const highestText = highest === undefined || highest === 'no-reading' ? '' : quantityText(highest)
  if (limitUpper !== null && ramp === 'beyond') {
    reasons.push({ code: 'above-limit-in-ramp', facts: { ...about(limitUpper), reading: highestText } })
  }
  if (isFail) return
  const undecided = (limit: string, reading: string | undefined) =>
    reasons.push({ code: 'limit-undecided', facts: { limit, ...(reading === undefined ? {} : { reading }) } })
  const quantity = readingOf(at.measurement)
  const readingText = quantity && quantityText(quantity)
  if (limitUpper !== null && (upper === 'undecided' || read === undefined)) undecided(limitUpper.text, readingText)
  if (limitLower !== null && (lower === 'undecided' || read === undefined)) undecided(limitLower.text, readingText)
  if (limitUpper !== null && ramp === 'undecided') undecided(limitUpper.text, highestText)
  if (openLeadMinimum === null || read === undefined) return
  if (placeOver(read.number, { value: openLeadMinimum.value, inclusive: true }) === 'undecided') {
    undecided(openLeadMinimum.text, readingText)
  }
}

/** What the server did to the number, with what it did it from. */
export function computedReasons(
  { planned, step, measurement }: MeasurementAt,
  read: ReadNumber,
  reasons: Reason[],
): void {
  if (!isPathResistance(planned.kind)) return
  const quantity = readingOf(measurement)
  if (quantity === undefined) return
  if (read.number.divisor !== null) {
    const current = testCurrentOf(step, measurement)
    const text = current === undefined || current === 'no-reading' ? '' : quantityText(current)
    reasons.push({ code: 'voltage-drop-divided', facts: { drop: quantityText(quantity), current: text } })
  }
  const offset = step.leadOffset
  if (planned.leadOffset === null || offset?.subtractedBy !== 'server' || offset.value === 'no-reading') return
  const facts = { raw: quantityText(quantity), offset: quantityText(offset.value) }
  reasons.push({ code: 'lead-offset-subtracted', facts })
}

/** A number for people: `>9.99 GOhm`. */
export function numberText({ value, unit, relation }: WrittenNumber): string {
  return `${relation ?? ''}${value} ${unit}`
}
