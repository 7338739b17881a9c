import { compare, formatDecimal, subtract } from '../exact/decimal.ts'
import type { Quantity } from '../exact/quantity.ts'
import { type CompiledMeasurement, type CompiledRevision, type CompiledStress, exceedsMs } from './compile.ts'
import {
  compareWith,
  isBelowZero,
  isShownAbove,
  isShownBelow,
  type JudgedNumber,
  mayLieAbove,
  mayLieBelow,
  placeOver,
} from './limit.ts'
import { hasOtherDetector, isPathResistance, magnitude, quantityText, type ReadNumber, readingOf } from './reading.ts'
import type { Measured, Reason, StressName, Termination, UploadMeasurement, UploadStep } from './words.ts'

/** One measurement of a run beside what the plan says of it. */
export interface MeasurementAt {
  readonly planned: CompiledMeasurement
  readonly step: UploadStep
  readonly measurement: UploadMeasurement
}

/** The run's steps by the index of the planned step; undefined where one was not run. */
export type StepsFound = readonly (UploadStep | undefined)[]

/** Trips: the unit broke down, whatever the number. */
export function isTrip(termination: Termination): termination is 'over-current' | 'breakdown' | 'arc' {
  return termination === 'over-current' || termination === 'breakdown' || termination === 'arc'
}

/** Ends after which the number is judged. */
export function isProperEnd(termination: Termination): termination is 'completed' | 'ended-early' {
  return termination === 'completed' || termination === 'ended-early'
}

/** What the stress was, against the window that the plan accepts. */
export type StressPlacing = 'within' | 'below' | 'above' | 'not-shown' | 'not-measured'

/**
 * The measured stress of a name: the measurement's own, else the step's. Time at voltage, where the total is given, is
 * the total without the ramp; where both are given the lesser counts, since no more is certain.
 */
export function stressOf(name: StressName, { step, measurement }: MeasurementAt): Measured | undefined {
  const said = measurement.stress[name] ?? step.stress[name]
  if (name !== 'dwell' || said === 'no-reading') return said
  const fromTotal = dwellFromTotal(step, measurement)
  if (said === undefined || fromTotal === undefined || fromTotal === 'no-reading') return said ?? fromTotal
  return compare(fromTotal.value, said.value) < 0 ? fromTotal : said
}

function dwellFromTotal(step: UploadStep, measurement: UploadMeasurement): Measured | undefined {
  const total = measurement.stress.totalTime ?? step.stress.totalTime
  const ramp = measurement.stress.rampUp ?? step.stress.rampUp
  if (total === undefined || ramp === undefined) return undefined
  // Bounds on total and ramp could be combined; no tester shows a time beyond its display, so nothing is guessed here.
  if (total === 'no-reading' || ramp === 'no-reading' || total.relation !== '=' || ramp.relation !== '=') {
    return 'no-reading'
  }
  const value = subtract(total.value, ramp.value)
  return { dimension: 'time', value, unit: 's', relation: '=', text: formatDecimal(value) }
}

/**
 * Whether the stress lay in its window, both ends included. A time to read that was cut short by a good number counts
 * where the plan says that it may.
 */
export function placeStress(stress: CompiledStress, at: MeasurementAt): StressPlacing {
  const measured = stressOf(stress.name, at)
  if (measured === undefined || measured === 'no-reading') return 'not-measured'
  const { least, most } = stress
  const asked = mayEndBefore(stress, at) ? null : least
  if (most !== null && isShownAbove(measured, most)) return 'above'
  if (asked !== null && isShownBelow(measured, asked)) return 'below'
  if (most !== null && mayLieAbove(measured, most)) return 'not-shown'
  return asked !== null && mayLieBelow(measured, asked) ? 'not-shown' : 'within'
}

/**
 * Whether this is the time at which a falling voltage is read. More of it is no more stress: the number is then smaller
 * than it was when it counted; and less of it makes a sound unit look bad.
 */
export function isDecaying({ kind }: CompiledMeasurement, name: StressName): boolean {
  return kind === 'residual-voltage' && name === 'readAt'
}

function mayEndBefore({ name }: CompiledStress, { planned, measurement }: MeasurementAt): boolean {
  return name === 'readAt' && planned.endEarlyOnPass && measurement.termination === 'ended-early'
}

/** The reason that goes with a stress outside its window. */
export function stressReason({ name, least, most }: CompiledStress, placing: StressPlacing, at: MeasurementAt): Reason {
  const isDecay = isDecaying(at.planned, name)
  const measured = stressOf(name, at)
  const facts: Record<string, string> = { stress: name }
  if (measured !== undefined && measured !== 'no-reading') facts['measured'] = quantityText(measured)
  if (least !== null) facts['least'] = least.text
  if (most !== null) facts['most'] = most.text
  switch (placing) {
    case 'below':
      return { code: isDecay ? 'read-too-early' : 'stress-below-plan', facts }
    case 'above':
      return { code: isDecay ? 'read-too-late' : 'stress-above-plan', facts }
    case 'not-measured':
      return { code: 'stress-not-measured', facts }
    default:
      return { code: 'stress-not-shown', facts }
  }
}

/** Another detector or network than the plan's: the number is of another quantity. */
export function otherQuantityReasons({ planned, step, measurement }: MeasurementAt, reasons: Reason[]): void {
  const { reading } = measurement
  if (hasOtherDetector(planned, reading)) {
    reasons.push({
      code: 'detector-mismatch',
      facts: { planned: planned.detector ?? 'none', used: reading?.detector ?? 'none' },
    })
  }
  if (planned.network === null) return
  const network = measurement.network ?? step.network
  // A measurement that came to no end need not say how it was set up.
  if (network === planned.network || (network === undefined && reading === undefined)) return
  reasons.push({ code: 'network-mismatch', facts: { planned: planned.network, used: network ?? 'none' } })
}

/** Why the measurement was no proper test, its stress apart. Adds to `reasons`; adds nothing where it was one. */
export function improperReasons(
  at: MeasurementAt,
  read: ReadNumber | undefined,
  {
    revision,
    found,
    orderBroken,
  }: { readonly revision: CompiledRevision; readonly found: StepsFound; readonly orderBroken: Reason | null },
  reasons: Reason[],
): void {
  const { planned, measurement } = at
  const { termination } = measurement
  if (!isProperEnd(termination) && !isTrip(termination)) reasons.push({ code: termination, facts: {} })
  if (readingOf(measurement) === undefined) reasons.push({ code: 'no-reading', facts: {} })
  residualVoltageReason(at, reasons)
  leadOffsetReasons(at, reasons)
  if (read !== undefined && isBelowZero(read.number)) {
    const code = isPathResistance(planned.kind) ? 'net-below-zero' : 'reading-below-zero'
    reasons.push({ code, facts: readingFacts(at) })
  }
  const highest = rampNumber(at)
  if (highest !== undefined && isBelowZero(highest.number)) {
    reasons.push({ code: 'reading-below-zero', facts: { reading: quantityText(highest.quantity) } })
  }
  if (orderBroken !== null) reasons.push(orderBroken)
  if (planned.openLeadMinimum !== null && read !== undefined) {
    const placing = placeOver(read.number, { value: planned.openLeadMinimum.value, inclusive: true })
    if (placing === 'beyond') {
      reasons.push({
        code: 'open-lead-suspected',
        facts: { ...readingFacts(at), minimum: planned.openLeadMinimum.text },
      })
    }
  }
  if (planned.contactProof !== null && !isContactProven(planned, revision, found)) {
    const proof = revision.steps[planned.contactProof.step]
    reasons.push({ code: 'contact-not-proven', facts: { step: proof?.step ?? '' } })
  }
}

function readingFacts({ step, measurement }: MeasurementAt): Record<string, string> {
  const quantity = readingOf(measurement)
  const facts: Record<string, string> = quantity === undefined ? {} : { reading: quantityText(quantity) }
  const offset = step.leadOffset?.value
  if (offset !== undefined && offset !== 'no-reading') facts['offset'] = quantityText(offset)
  return facts
}

/** The highest current while the voltage rose, where the limit holds there too; undefined where none was read. */
export function rampNumber(at: MeasurementAt): { number: JudgedNumber; quantity: Quantity } | undefined {
  if (!at.planned.limitInRamp) return undefined
  const highest = stressOf('highestInRamp', at)
  if (highest === undefined || highest === 'no-reading') return undefined
  return {
    number: { numerator: highest.value, divisor: null, relation: highest.relation, isBoundIncluded: false },
    quantity: highest,
  }
}

function residualVoltageReason(at: MeasurementAt, reasons: Reason[]): void {
  const most = at.planned.residualVoltageMost
  if (most === null) return
  const measured = stressOf('residualVoltage', at)
  if (measured === undefined || measured === 'no-reading') {
    if (!isProperEnd(at.measurement.termination)) return
    reasons.push({ code: 'stress-not-measured', facts: { stress: 'residualVoltage', most: most.text } })
  } else if (isShownAbove(magnitude(measured), most)) {
    reasons.push({ code: 'residual-voltage-high', facts: { measured: quantityText(measured), most: most.text } })
  } else if (mayLieAbove(magnitude(measured), most)) {
    const facts = { stress: 'residualVoltage', measured: quantityText(measured), most: most.text }
    reasons.push({ code: 'stress-not-shown', facts })
  }
}

function leadOffsetReasons({ planned, step, measurement }: MeasurementAt, reasons: Reason[]): void {
  if (planned.leadOffset === null) return
  const { most, ageMaxMs, ageMaxText } = planned.leadOffset
  const offset = step.leadOffset
  if (offset === undefined || offset.value === 'no-reading' || offset.value.relation !== '=') {
    // Without a reading there is nothing to take it off.
    if (readingOf(measurement) !== undefined) reasons.push({ code: 'lead-offset-missing', facts: {} })
    return
  }
  const ageMs = step.startedAt - offset.takenAt
  if (ageMs < 0) reasons.push({ code: 'lead-offset-taken-later', facts: {} })
  else if (exceedsMs(ageMs, ageMaxMs)) {
    reasons.push({ code: 'lead-offset-old', facts: { age: hoursText(ageMs), ageMax: ageMaxText } })
  }
  const placed = {
    numerator: offset.value.value,
    divisor: null,
    relation: offset.value.relation,
    isBoundIncluded: false,
  }
  if (compareWith(placed, most.value) > 0) {
    reasons.push({ code: 'lead-offset-large', facts: { offset: quantityText(offset.value), most: most.text } })
  }
}

/** For people: hours and minutes, cut down to the minute. */
function hoursText(ms: number): string {
  const minutes = Math.floor(ms / 60_000)
  return `${Math.floor(minutes / 60)} h ${minutes % 60} min`
}

/** Proven: the step named has a number at or above its own minimum, or broke down. */
function isContactProven(planned: CompiledMeasurement, revision: CompiledRevision, found: StepsFound): boolean {
  const proof = planned.contactProof
  if (proof === null) return true
  const provingStep = revision.steps[proof.step]
  const step = found[proof.step]
  if (provingStep === undefined || step === undefined) return false
  return proof.measurements.every((index) => {
    const proving = provingStep.measurements[index]
    const measurement = proving && findMeasurement(step, proving.measurement, index)
    return proving !== undefined && measurement !== undefined && showsContact(proving, measurement)
  })
}

function showsContact(proving: CompiledMeasurement, measurement: UploadMeasurement): boolean {
  if (isTrip(measurement.termination)) return true
  const quantity = readingOf(measurement)
  if (quantity === undefined || proving.openLeadMinimum === null) return false
  if (hasOtherDetector(proving, measurement.reading)) return false
  const number = { numerator: quantity.value, divisor: null, relation: quantity.relation, isBoundIncluded: false }
  return placeOver(number, { value: proving.openLeadMinimum.value, inclusive: true }) === 'within'
}

/** The measurement of a key; most testers send them in the plan's order, so the planned place is looked at first. */
export function findMeasurement(step: UploadStep, key: string, planned: number): UploadMeasurement | undefined {
  const there = step.measurements[planned]
  if (there !== undefined && there.measurement === key) return there
  return step.measurements.find(({ measurement }) => measurement === key)
}
