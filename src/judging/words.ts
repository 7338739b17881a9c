import type { Quantity } from '../exact/quantity.ts'

/** What becomes of an upload; it never changes. Worst first: the worst of all codes counts. */
export const outcomes = ['rejected', 'held', 'accepted'] as const
export type Outcome = (typeof outcomes)[number]

/** What a run or one of its parts says about the unit, worst first. The worst decides what it belongs to. */
export const verdicts = ['fail', 'invalid', 'inconclusive', 'incomplete', 'pass-under-permit', 'pass'] as const
export type Verdict = (typeof verdicts)[number]

/** A step may also not have been run. Ignored behind a fail; else the run is incomplete where the step is required. */
export const stepVerdicts = [...verdicts, 'not-run'] as const
export type StepVerdict = (typeof stepVerdicts)[number]

/** What a station may say itself. */
export const stationVerdicts = ['pass', 'fail', 'invalid'] as const
export type StationVerdict = (typeof stationVerdicts)[number]

/** How a measurement ended. */
export const terminations = [
  'completed',
  'ended-early',
  'over-current',
  'breakdown',
  'arc',
  'voltage-not-reached',
  'current-not-reached',
  'operator-stop',
  'interlock-open',
  'instrument-fault',
] as const
export type Termination = (typeof terminations)[number]

export const purposes = ['production', 'verification', 'engineering'] as const
export type Purpose = (typeof purposes)[number]

export const readingSources = ['instrument', 'keyed', 'manual'] as const
export type ReadingSource = (typeof readingSources)[number]

/** Why a unit is tested again. */
export const attemptCauses = ['after-fail', 'after-invalid', 'after-rework', 'after-event', 'on-request'] as const
export type AttemptCause = (typeof attemptCauses)[number]

export const readingQuantities = ['resistance', 'voltage-drop', 'current', 'voltage'] as const
export type ReadingQuantity = (typeof readingQuantities)[number]

/** What a person says of what was looked at (ISO 9000, conformity). */
export const conformities = ['conforming', 'nonconforming'] as const
export type Conformity = (typeof conformities)[number]

/** Measured stress and conditions, by their member in an upload. */
export const stressNames = [
  'testVoltage',
  'testCurrent',
  'supplyVoltage',
  'frequency',
  'rampUp',
  'dwell',
  'totalTime',
  'readAt',
  'residualVoltage',
  'highestInRamp',
] as const
export type StressName = (typeof stressNames)[number]

/** A measured number; `no-reading` where the member is there without a value. It is never read as zero. */
export type Measured = Quantity | 'no-reading'

export type Stresses = { readonly [Name in StressName]?: Measured | undefined }

/**
 * One upload, read from its bytes. Instants are milliseconds since the epoch; lists are in the order as sent. Optional
 * members may be there as undefined, so that whoever reads uploads can make all of them alike: the judge is several
 * times faster on objects of one shape.
 */
export interface Upload {
  readonly uploadKey: string
  readonly sequenceNumber: number
  readonly sentAt: number
  readonly startedAgoMs?: number | undefined
  readonly station: string
  readonly instrument: string
  readonly programming?: string | undefined
  readonly person: string
  readonly source: ReadingSource
  readonly purpose: Purpose
  readonly product: string
  readonly variant?: string | undefined
  /** As sent; the product's rule has not been asked. */
  readonly serial: string
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly attemptCause?: AttemptCause | undefined
  readonly attemptOf?: string | undefined
  readonly replaces?: string | undefined
  readonly stationVerdict?: StationVerdict | undefined
  readonly startedAt: number
  readonly endedAt: number
  readonly steps: readonly UploadStep[]
}

export interface UploadStep {
  readonly step: string
  readonly startedAt: number
  readonly endedAt: number
  readonly stationVerdict?: StationVerdict | undefined
  readonly leadOffset?: UploadLeadOffset | undefined
  readonly network?: string | undefined
  /** What is common to the measurements; one that says a stress itself counts with its own. */
  readonly stress: Stresses
  readonly measurements: readonly UploadMeasurement[]
}

/** The resistance of the leads, and who takes it off: the server (the reading is raw) or the station (it is net). */
export interface UploadLeadOffset {
  readonly value: Measured
  readonly takenAt: number
  readonly person: string
  readonly subtractedBy: 'server' | 'station'
}

export interface UploadMeasurement {
  readonly measurement: string
  readonly termination: Termination
  readonly stationVerdict?: StationVerdict | undefined
  readonly network?: string | undefined
  readonly stress: Stresses
  readonly reading?: UploadReading | undefined
  /** Of an inspection, in place of a reading. */
  readonly conformity?: Conformity | undefined
}

export interface UploadReading {
  readonly quantity: ReadingQuantity
  readonly detector?: string | undefined
  readonly value: Measured
  readonly text?: string | undefined
}

/** What a code or reason is about, as text that a sentence can be built from. */
export type CodeFacts = Readonly<Record<string, string>>

/** Which outcome each code of an upload leads to. Stored for ever: a retired code stays here as a comment. */
export const codeOutcomes = {
  // The upload is wrong.
  'field-invalid': 'rejected',
  'duplicate-member': 'rejected',
  'unit-missing': 'rejected',
  'unit-ambiguous': 'rejected',
  'unit-unknown': 'rejected',
  'not-a-number': 'rejected',
  'offset-missing': 'rejected',
  'serial-not-text': 'rejected',
  'serial-not-allowed': 'rejected',
  'frequency-missing': 'rejected',
  // It is wrong for this unit.
  'station-unknown': 'rejected',
  'station-mismatch': 'rejected',
  'product-unknown': 'rejected',
  'product-plan-mismatch': 'rejected',
  'revision-unknown': 'rejected',
  'digest-mismatch': 'rejected',
  'revision-stale': 'rejected',
  'revision-not-yet-in-force': 'rejected',
  'revision-blocked': 'rejected',
  'attribute-missing': 'rejected',
  // A fact is missing.
  'person-unknown': 'held',
  'instrument-mismatch': 'held',
  'calibration-expired': 'held',
  'programming-not-current': 'held',
  'check-missing': 'held',
  // A person must decide.
  'station-locked': 'held',
  'clock-skew': 'held',
  'clock-implausible': 'held',
  'clock-stepped': 'held',
  'start-uncertain': 'held',
  'over-stress': 'held',
  'run-too-long': 'held',
  'purpose-not-allowed': 'held',
  // What hangs on the unit's history holds its standing alone; the outcome stays.
  'identity-conflict': 'accepted',
} as const satisfies Record<string, Outcome>
export type UploadCode = keyof typeof codeOutcomes
export const uploadCodes = Object.keys(codeOutcomes) as [UploadCode, ...UploadCode[]]

/** Holds for want of a fact: once it is recorded, dated before the test, they are settled by themselves. */
export const missingFactCodes: ReadonlySet<UploadCode> = new Set([
  'person-unknown',
  'instrument-mismatch',
  'calibration-expired',
  'programming-not-current',
  'check-missing',
])

/** The codes that are found while the bytes are read, before any fact is asked. */
export type ReadingCode =
  | 'duplicate-member'
  | 'unit-missing'
  | 'unit-ambiguous'
  | 'unit-unknown'
  | 'not-a-number'
  | 'offset-missing'
  | 'serial-not-text'

/** One code of an upload. `pointer` is RFC 6901 where one field is at fault. */
export interface CodeFound {
  readonly code: UploadCode
  readonly pointer?: string
  readonly facts: CodeFacts
}

/** The worst outcome that codes lead to; `accepted` where there is none. */
export function outcomeOf(codes: Iterable<{ readonly code: UploadCode }>): Outcome {
  let worst: Outcome = 'accepted'
  for (const { code } of codes) {
    const outcome = codeOutcomes[code]
    if (outcome === 'rejected') return outcome
    if (outcome === 'held') worst = outcome
  }
  return worst
}

/** Why a measurement has its verdict, or what was done to its number. Stored for ever: never reused. */
export const reasonCodes = [
  // It broke down.
  'over-current',
  'breakdown',
  'arc',
  // A number beyond its limit.
  'above-limit',
  'below-limit',
  'above-limit-in-ramp',
  // A person saw it.
  'nonconforming',
  // Not a proper test.
  'detector-mismatch',
  'network-mismatch',
  'voltage-not-reached',
  'current-not-reached',
  'operator-stop',
  'interlock-open',
  'instrument-fault',
  'no-reading',
  'conformity-missing',
  'read-too-late',
  'read-too-early',
  'reading-below-zero',
  'stress-not-measured',
  'stress-not-shown',
  'stress-below-plan',
  'residual-voltage-high',
  'lead-offset-missing',
  'lead-offset-old',
  'lead-offset-taken-later',
  'lead-offset-large',
  'net-below-zero',
  'order-wrong',
  'open-lead-suspected',
  'contact-not-proven',
  // A number that cannot be placed.
  'limit-undecided',
  'within-guard-band',
  'uncertainty-unknown',
  // Nothing there.
  'measurement-missing',
  // Worth knowing; no verdict by itself.
  'stress-above-plan',
  'lead-offset-subtracted',
  'under-permit',
  'voltage-drop-divided',
  'station-verdict-worse',
  'station-verdict-differs',
] as const
export type ReasonCode = (typeof reasonCodes)[number]

export interface Reason {
  readonly code: ReasonCode
  readonly facts: CodeFacts
}

const ranks: Readonly<Record<Verdict, number>> = {
  fail: 0,
  invalid: 1,
  inconclusive: 2,
  incomplete: 3,
  'pass-under-permit': 4,
  pass: 5,
}

/** The worse of two verdicts. */
export function worseVerdict(one: Verdict, other: Verdict): Verdict {
  return ranks[one] <= ranks[other] ? one : other
}
