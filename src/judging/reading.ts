import {
  absolute,
  compare,
  type Decimal,
  divide,
  isNegative,
  multiply,
  round,
  subtract,
  ZERO,
} from '../exact/decimal.ts'
import type { Quantity, Relation } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { StepKind } from '../rules/words.ts'
import type { CompiledMeasurement } from './compile.ts'
import { type JudgedNumber, type WrittenNumber, writeNumber } from './limit.ts'
import type { Measured, UploadMeasurement, UploadReading, UploadStep } from './words.ts'

/** The number of a measurement, made ready to be compared. */
export interface ReadNumber {
  readonly number: JudgedNumber
  /** The number as shown: exact, save for a quotient, which is rounded to 12 digits and decides nothing. */
  readonly shown: Decimal
  /** The reading itself, where nothing was computed: then its digits are shown as they were received. */
  readonly received: Quantity | undefined
}

/** A quotient is shown with so many digits; it is compared without dividing. */
const QUOTIENT_DIGITS = 12

/** A quantity for people, in the unit and digits as received: `>9.99 GOhm`. */
export function quantityText({ relation, text, unit }: Quantity): string {
  return relation === '=' ? `${text} ${unit}` : `${relation}${text} ${unit}`
}

/**
 * The number that was compared, as answers write it in the unit of the limit: with the reading's own digits where it is
 * the reading, read in that unit (`5.00` stays `5.00`); computed or converted ones in plain digits.
 */
export function writeJudged({ number: { relation }, shown, received }: ReadNumber, unit: UnitCode): WrittenNumber {
  if (received === undefined || received.unit !== unit) return writeNumber(shown, unit, relation)
  return relation === '=' ? { value: received.text, unit } : { value: received.text, unit, relation }
}

/** The reading's own number; undefined where there is none. */
export function readingOf(measurement: UploadMeasurement): Quantity | undefined {
  const value = measurement.reading?.value
  return value === undefined || value === 'no-reading' ? undefined : value
}

/** The measured test current: the measurement's own, else the step's. */
export function testCurrentOf(step: UploadStep, measurement: UploadMeasurement): Measured | undefined {
  return measurement.stress.testCurrent ?? step.stress.testCurrent
}

/**
 * The number that the limits are asked about. A bond's is net of its leads: the server takes the offset off where the
 * station says that it did not. A voltage drop is divided by the current that was measured, never by the one that was
 * set. Undefined where there is no number, or none that can be known: no offset to take off, no current to divide by,
 * or two bounds that together bound nothing.
 */
export function readNumber(
  planned: CompiledMeasurement,
  step: UploadStep,
  measurement: UploadMeasurement,
): ReadNumber | undefined {
  const { reading } = measurement
  const quantity = readingOf(measurement)
  if (reading === undefined || quantity === undefined) return undefined
  if (planned.kind === 'residual-voltage') return asReceived(magnitude(quantity))
  if (!isPathResistance(planned.kind)) return asReceived(quantity)
  const offset = offsetToSubtract(planned, step)
  if (offset === undefined) return undefined
  if (reading.quantity === 'voltage-drop') {
    const current = testCurrentOf(step, measurement)
    return current === undefined || current === 'no-reading' ? undefined : quotient(quantity, current, offset)
  }
  return offset === null ? asReceived(quantity) : net(quantity, offset)
}

/** Whether a kind measures the resistance of the protective path, by resistance or by voltage drop and current. */
export function isPathResistance(kind: StepKind): boolean {
  return kind === 'protective-bonding' || kind === 'protective-continuity'
}

/** What is left on the unit is as dangerous in either polarity. */
export function magnitude(measured: Quantity): Quantity {
  if (!isNegative(measured.value)) return measured
  const relation = measured.relation === '<' ? '>' : measured.relation === '>' ? '<' : '='
  const value = absolute(measured.value)
  return { ...measured, relation, value, text: measured.text.replace(/^-/, '') }
}

function asReceived(quantity: Quantity): ReadNumber {
  const { value, relation } = quantity
  return {
    number: { numerator: value, divisor: null, relation, isBoundIncluded: false },
    shown: value,
    received: quantity,
  }
}

function net({ value, relation }: Quantity, offset: Decimal): ReadNumber {
  const shown = subtract(value, offset)
  return { number: { numerator: shown, divisor: null, relation, isBoundIncluded: false }, shown, received: undefined }
}

/** Null: nothing to take off. Undefined: there is something to take off, and it is not known. */
function offsetToSubtract(planned: CompiledMeasurement, step: UploadStep): Decimal | null | undefined {
  if (planned.leadOffset === null) return null
  const offset = step.leadOffset
  if (offset === undefined) return undefined
  if (offset.subtractedBy === 'station') return null
  return offset.value === 'no-reading' || offset.value.relation !== '=' ? undefined : offset.value.value
}

/** drop / current - offset, as (drop - offset * current) / current. */
function quotient(drop: Quantity, current: Quantity, offset: Decimal | null): ReadNumber | undefined {
  if (compare(current.value, ZERO) <= 0) return undefined
  const relation = quotientRelation(drop.relation, current.relation)
  if (relation === undefined) return undefined
  const numerator = offset === null ? drop.value : subtract(drop.value, multiply(offset, current.value))
  const shown = round(divide(numerator, current.value), QUOTIENT_DIGITS)
  return { number: { numerator, divisor: current.value, relation, isBoundIncluded: false }, shown, received: undefined }
}

/** A greater divisor makes a lesser quotient; two bounds that pull apart bound nothing. */
function quotientRelation(dividend: Relation, divisor: Relation): Relation | undefined {
  if (divisor === '=') return dividend
  const bound = divisor === '>' ? '<' : '>'
  return dividend === '=' || dividend === bound ? bound : undefined
}

/** Whether there is a number, and another detector than the plan's read it. Only currents have one. */
export function hasOtherDetector(planned: CompiledMeasurement, reading: UploadReading | undefined): boolean {
  if (planned.detector === null || reading === undefined || reading.value === 'no-reading') return false
  return reading.detector !== planned.detector
}
