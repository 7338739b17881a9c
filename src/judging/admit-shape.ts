import { isNegative } from '../exact/decimal.ts'
import type { Dimension } from '../exact/unit-codes.ts'
import type { StepKind } from '../rules/words.ts'
import type { CompiledMeasurement, CompiledRevision, CompiledStep } from './compile.ts'
import { findMeasurement, isProperEnd } from './validity.ts'
import {
  type CodeFound,
  type Measured,
  type ReadingQuantity,
  type StressName,
  stressNames,
  type Upload,
  type UploadMeasurement,
  type UploadStep,
} from './words.ts'

/** What each stress is a quantity of. */
export const stressDimensions = {
  testVoltage: 'voltage',
  testCurrent: 'current',
  supplyVoltage: 'voltage',
  frequency: 'frequency',
  rampUp: 'time',
  dwell: 'time',
  totalTime: 'time',
  readAt: 'time',
  residualVoltage: 'voltage',
  highestInRamp: 'current',
} as const satisfies Record<StressName, Dimension>

const readingDimensions = {
  resistance: 'resistance',
  'voltage-drop': 'voltage',
  current: 'current',
  voltage: 'voltage',
} as const satisfies Record<ReadingQuantity, Dimension>

/** What may be read in each kind of step (payloads, upload). */
const readingsOfKind = {
  'protective-bonding': ['resistance', 'voltage-drop'],
  'electric-strength-ac': ['current'],
  'electric-strength-dc': ['current'],
  'insulation-resistance': ['resistance'],
  'touch-current': ['current'],
  'protective-conductor-current': ['current'],
  'protective-continuity': ['resistance', 'voltage-drop'],
  'residual-voltage': ['voltage'],
  inspection: [],
} as const satisfies Record<StepKind, readonly ReadingQuantity[]>

/** Collects what is wrong, each with its pointer. */
interface Refusals {
  readonly root: string
  readonly codes: CodeFound[]
}

/** No more are listed: whoever sent a hundred wrong fields mends those first. */
const CODES_MAX = 100

function refuse(refusals: Refusals, pointer: string, detail: string): void {
  if (refusals.codes.length >= CODES_MAX) return
  refusals.codes.push({ code: 'field-invalid', pointer: refusals.root + pointer, facts: { detail } })
}

/** Whether the run's own times run forwards; asked whatever the revision. `root` is put before each pointer. */
export function checkTimes(upload: Upload, root: string): CodeFound[] {
  const refusals: Refusals = { root, codes: [] }
  if (upload.endedAt < upload.startedAt) refuse(refusals, '/endedAt', 'is before startedAt')
  for (const [index, step] of upload.steps.entries()) {
    const at = `/steps/${index}`
    if (step.endedAt < step.startedAt) refuse(refusals, `${at}/endedAt`, "is before the step's startedAt")
    if (step.startedAt < upload.startedAt) refuse(refusals, `${at}/startedAt`, 'is before the startedAt of the run')
    if (step.endedAt > upload.endedAt) refuse(refusals, `${at}/endedAt`, 'is after the endedAt of the run')
  }
  return refusals.codes
}

/**
 * Whether the upload has the shape of the revision that it cites: steps and measurements that are planned, each once;
 * units of the right dimension; the stress that must be measured. `root` is put before each pointer.
 */
export function checkShape(upload: Upload, revision: CompiledRevision, root: string): CodeFound[] {
  const refusals: Refusals = { root, codes: [] }
  const steps = new Set<string>()
  for (const [index, step] of upload.steps.entries()) {
    const at = `/steps/${index}`
    const planned = revision.steps.find((one) => one.step === step.step)
    if (steps.has(step.step)) refuse(refusals, `${at}/step`, `step ${step.step} is there twice`)
    else if (planned === undefined) refuse(refusals, `${at}/step`, `the revision has no step ${step.step}`)
    else checkStep(step, planned, at, refusals)
    steps.add(step.step)
  }
  return refusals.codes
}

function checkStep(step: UploadStep, planned: CompiledStep, at: string, refusals: Refusals): void {
  checkDimensions(step.stress, at, refusals)
  checkLeadOffset(step, planned, at, refusals)
  const keys = new Set<string>()
  for (const [index, measurement] of step.measurements.entries()) {
    const place = `${at}/measurements/${index}`
    const { measurement: key } = measurement
    const plannedHere = planned.measurements.find((one) => one.measurement === key)
    if (keys.has(key)) refuse(refusals, `${place}/measurement`, `measurement ${key} is there twice`)
    else if (plannedHere === undefined) {
      refuse(refusals, `${place}/measurement`, `step ${step.step} has no measurement ${key} in the revision`)
    } else {
      checkDimensions(measurement.stress, place, refusals)
      checkReading(measurement, plannedHere, place, refusals)
      if (isProperEnd(measurement.termination)) checkRequired(step, measurement, plannedHere, place, refusals)
    }
    keys.add(key)
  }
}

function checkDimensions(stresses: UploadStep['stress'], at: string, refusals: Refusals): void {
  for (const name of stressNames) {
    const measured = stresses[name]
    if (measured === undefined || measured === 'no-reading') continue
    const dimension = stressDimensions[name]
    if (measured.dimension !== dimension) refuse(refusals, `${at}/${name}/unit`, `must be a unit of ${dimension}`)
    else if ((dimension === 'time' || dimension === 'frequency') && isNegative(measured.value)) {
      refuse(refusals, `${at}/${name}/value`, 'must not be below zero')
    }
  }
}

function checkReading(
  { reading, conformity, termination }: UploadMeasurement,
  planned: CompiledMeasurement,
  at: string,
  refusals: Refusals,
): void {
  const isLook = planned.kind === 'inspection'
  if (conformity !== undefined && !isLook) refuse(refusals, `${at}/conformity`, 'is for inspections alone')
  if (reading === undefined) return
  if (isLook) {
    refuse(refusals, `${at}/reading`, 'an inspection reads nothing; it states conformity')
    return
  }
  const allowed: readonly ReadingQuantity[] = readingsOfKind[planned.kind]
  if (!allowed.includes(reading.quantity)) {
    refuse(refusals, `${at}/reading/quantity`, `a step of ${planned.kind} reads ${allowed.join(' or ')}`)
    return
  }
  const dimension = readingDimensions[reading.quantity]
  if (reading.value !== 'no-reading' && reading.value.dimension !== dimension) {
    refuse(refusals, `${at}/reading/unit`, `must be a unit of ${dimension}`)
  }
  // Without a number, or behind a trip, there is nothing that a detector could have read wrongly.
  const isJudged = reading.value !== 'no-reading' && isProperEnd(termination)
  if (planned.detector !== null && reading.detector === undefined && isJudged) {
    refuse(refusals, `${at}/reading/detector`, `is needed for a ${reading.quantity}`)
  }
}

/** Measured stress that must be there, if only to say that there was no reading. */
function checkRequired(
  step: UploadStep,
  measurement: UploadMeasurement,
  planned: CompiledMeasurement,
  at: string,
  refusals: Refusals,
): void {
  const isThere = (name: StressName) => (measurement.stress[name] ?? step.stress[name]) !== undefined
  for (const { name } of planned.stresses) {
    if (isThere(name)) continue
    if (name === 'dwell' && isThere('totalTime')) continue
    if (name !== 'frequency') refuse(refusals, `${at}/${name}`, requiredText(name))
    else if (refusals.codes.length < CODES_MAX) {
      // A current at a frequency nobody knows cannot be compared with anything.
      refusals.codes.push({ code: 'frequency-missing', pointer: `${refusals.root}${at}/frequency`, facts: {} })
    }
  }
  if (planned.residualVoltageMost !== null && !isThere('residualVoltage')) {
    refuse(refusals, `${at}/residualVoltage`, requiredText('residualVoltage'))
  }
  if (planned.limitInRamp && !isThere('highestInRamp')) {
    refuse(refusals, `${at}/highestInRamp`, 'is needed, since the limit holds while the voltage rises')
  }
  if (planned.network !== null && (measurement.network ?? step.network) === undefined) {
    refuse(refusals, `${at}/network`, 'is needed, on the measurement or on its step')
  }
}

function requiredText(name: StressName): string {
  const instead = name === 'dwell' ? ' (or totalTime with rampUp)' : ''
  return `the measured ${name} is needed, on the measurement or on its step${instead}`
}

function checkLeadOffset(step: UploadStep, planned: CompiledStep, at: string, refusals: Refusals): void {
  const { leadOffset } = step
  const needing = planned.measurements.filter((one) => one.leadOffset !== null)
  if (leadOffset === undefined) {
    const isNeeded = needing.some((one) => {
      const measurement = findMeasurement(step, one.measurement, planned.measurements.indexOf(one))
      return measurement !== undefined && isProperEnd(measurement.termination)
    })
    if (isNeeded) refuse(refusals, `${at}/leadOffset`, 'is needed where two wires are used')
    return
  }
  if (needing.length === 0) {
    refuse(refusals, `${at}/leadOffset`, 'is for bonding with two wires, which this step is not')
    return
  }
  if (isOtherThan(leadOffset.value, 'resistance')) {
    refuse(refusals, `${at}/leadOffset/unit`, 'must be a unit of resistance')
  }
}

function isOtherThan(measured: Measured, dimension: Dimension): boolean {
  return measured !== 'no-reading' && measured.dimension !== dimension
}
