import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire, isTimeZone, LocalDateWire } from '../exact/time.ts'
import { RevisionNumberWire } from '../plans/words.ts'
import { stepKinds } from '../rules/words.ts'

/** How readings reach us: from the instrument itself, or typed off its display by a person. */
export const stationLinks = ['automatic', 'keyed'] as const
export type StationLink = (typeof stationLinks)[number]

// ------------------------------------------------------------------------------------------------ site

export const SiteDraftWire = z
  .strictObject({
    site: KeyWire,
    name: TextWire(200),
    /** A name of the IANA time zone database: local days, such as the one a calibration is due on, end by it. */
    timeZone: z.string().max(64).refine(isTimeZone, 'must be a time zone of the IANA database, such as Europe/London'),
    /** Not before 1970. Tests dated before it are not believed. */
    openedAt: InstantWire,
  })
  .meta({ id: 'SiteDraft' })
export type SiteDraft = z.infer<typeof SiteDraftWire>

export const SiteWire = z
  .strictObject({
    site: KeyWire,
    name: z.string(),
    timeZone: z.string(),
    openedAt: InstantWire,
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({ id: 'Site' })
export type Site = z.infer<typeof SiteWire>

// ------------------------------------------------------------------------------------------------ station

const LinkedWire = z
  .enum(stationLinks)
  .describe('automatic: the tester sends its readings; keyed: a person types them off its display')

export const StationDraftWire = z
  .strictObject({ station: KeyWire, site: KeyWire, name: TextWire(200), linked: LinkedWire })
  .meta({ id: 'StationDraft' })
export type StationDraft = z.infer<typeof StationDraftWire>

export const StationWire = z
  .strictObject({
    station: KeyWire,
    site: KeyWire,
    name: z.string(),
    linked: z.enum(stationLinks),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({ id: 'Station' })
export type Station = z.infer<typeof StationWire>

// ------------------------------------------------------------------------------------------------ instrument

/** What a kind can be done with, as a window in the unit of its stress: volts, or amperes for a bond. */
const RangeWire = z.strictObject({
  least: DecimalTextWire.nullish(),
  most: DecimalTextWire.nullish(),
  unit: z.string().min(1).max(16),
})

/** How far the stress may be from what is set, either way, as a share of it. */
const AccuracyWire = z.strictObject({ value: DecimalTextWire, unit: z.string().min(1).max(16) })

/** A window of a plan, or the range of an instrument, which sets nothing. */
export interface StressRange {
  readonly set?: string | null | undefined
  readonly least?: string | null | undefined
  readonly most?: string | null | undefined
  readonly unit: string
}

/**
 * What an instrument can do. A kind may stand several times, each with a range of its own. `programs` null or absent:
 * settings come with each test, so no programming is ever asked for.
 */
export const CapabilitiesWire = z
  .strictObject({
    programs: z.strictObject({ count: z.int().min(1).max(100_000), stepsEach: z.int().min(1).max(1_000) }).nullish(),
    kinds: z
      .array(
        z.strictObject({
          kind: z.enum(stepKinds),
          range: RangeWire.nullish(),
          accuracy: AccuracyWire.nullish().describe(
            'How far the stress may be from what is set, either way, as a share of it: % or 1',
          ),
        }),
      )
      .min(1)
      .max(50),
  })
  .meta({ id: 'InstrumentCapabilities' })
export type Capabilities = z.infer<typeof CapabilitiesWire>

export const InstrumentDraftWire = z
  .strictObject({ instrument: KeyWire, name: TextWire(200), capabilities: CapabilitiesWire })
  .meta({ id: 'InstrumentDraft' })
export type InstrumentDraft = z.infer<typeof InstrumentDraftWire>

export const InstrumentWire = z
  .strictObject({
    instrument: KeyWire,
    name: z.string(),
    capabilities: z
      .strictObject({
        programs: z.strictObject({ count: z.int(), stepsEach: z.int() }).nullable(),
        kinds: z.array(
          z.strictObject({ kind: z.enum(stepKinds), range: RangeWire.optional(), accuracy: AccuracyWire.optional() }),
        ),
      })
      .meta({ id: 'InstrumentCapabilitiesStored' }),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({ id: 'Instrument' })
export type Instrument = z.infer<typeof InstrumentWire>

/** Puts an instrument at a station. Whatever stood there, and wherever the instrument stood, ends at `from`. */
export const InstrumentAssignmentDraftWire = z
  .strictObject({ instrument: KeyWire, from: InstantWire, until: InstantWire.nullish() })
  .meta({ id: 'InstrumentAssignmentDraft' })
export type InstrumentAssignmentDraft = z.infer<typeof InstrumentAssignmentDraftWire>

export const InstrumentAssignmentWire = z
  .strictObject({
    station: KeyWire,
    instrument: KeyWire,
    from: InstantWire,
    /** As recorded; a later assignment of the station or of the instrument may end it before. */
    until: InstantWire.nullable(),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({ id: 'InstrumentAssignment' })
export type InstrumentAssignmentAnswer = z.infer<typeof InstrumentAssignmentWire>

// ------------------------------------------------------------------------------------------------ calibration

/** Statements of one calibration; a long table is no statement about one tester. */
const STATEMENTS_MAX = 100

/**
 * The expanded uncertainty of readings of one kind of test (JCGM 100, 7.2): `expanded` plus `relative` times the
 * reading, for readings within `range`, both ends included. The first statement that fits a reading counts.
 */
const UncertaintyWire = z
  .strictObject({
    kind: z.enum(stepKinds),
    range: RangeWire.nullish().describe('of the reading, in its own unit; absent: every reading'),
    expanded: z.strictObject({ value: DecimalTextWire, unit: z.string().min(1).max(16) }).nullish(),
    relative: z
      .strictObject({ value: DecimalTextWire, unit: z.string().min(1).max(16) })
      .nullish()
      .describe('share of the reading, in % or 1'),
    coverageFactor: DecimalTextWire.nullish().describe('as the certificate states it; nothing is computed with it'),
  })
  .meta({ id: 'Uncertainty' })
export type Uncertainty = z.infer<typeof UncertaintyWire>

/**
 * What the instrument was found to read before it was adjusted, for one kind of test: shown minus true, as a share of
 * the true value (-8 % reads 92 for 100) or in the unit of the reading.
 */
export const AsFoundWire = z
  .strictObject({
    kind: z.enum(stepKinds),
    range: RangeWire.nullish().describe('of the reading as shown, in its own unit; absent: every reading'),
    error: z
      .strictObject({ value: DecimalTextWire, unit: z.string().min(1).max(16) })
      .describe('shown minus true: in % or 1 of the true value, else in a unit of the reading'),
    toleranceMet: z.boolean(),
  })
  .meta({ id: 'AsFound' })
export type AsFound = z.infer<typeof AsFoundWire>

export const CalibrationDraftWire = z
  .strictObject({
    calibration: KeyWire,
    instrument: KeyWire,
    performedAt: InstantWire,
    dueOn: LocalDateWire.describe('The last day on which it holds, in the time zone of the site'),
    uncertainty: z.array(UncertaintyWire).max(STATEMENTS_MAX).nullish(),
    asFound: z.array(AsFoundWire).max(STATEMENTS_MAX).nullish(),
  })
  .meta({ id: 'CalibrationDraft' })
export type CalibrationDraft = z.infer<typeof CalibrationDraftWire>

export const CalibrationWire = z
  .strictObject({
    calibration: KeyWire,
    instrument: KeyWire,
    performedAt: InstantWire,
    /** It holds to the end of this day in the time zone of the site where the instrument stands. */
    dueOn: LocalDateWire,
    /** As stated by the certificate; empty where it states nothing. */
    uncertainty: z.array(UncertaintyWire),
    /** Errors before adjustment; empty where it states nothing. */
    asFound: z.array(AsFoundWire),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({ id: 'Calibration' })
export type CalibrationAnswer = z.infer<typeof CalibrationWire>

// ------------------------------------------------------------------------------------------------ programming

export const ProgrammingDraftWire = z
  .strictObject({
    programming: KeyWire,
    station: KeyWire,
    instrument: KeyWire,
    programs: z
      .array(KeyWire)
      .min(1)
      .max(1_000)
      .refine((programs) => new Set(programs).size === programs.length, 'must name each program once')
      .describe('Of the instrument, in the order of the sheet; whoever keys chooses which'),
    plan: KeyWire,
    revision: RevisionNumberWire,
    revisionDigest: DigestWire,
    keyedBy: KeyWire,
    readBackBy: KeyWire.describe('The person who posts this, and not the one who keyed it'),
    at: InstantWire,
  })
  .meta({ id: 'ProgrammingDraft' })
export type ProgrammingDraft = z.infer<typeof ProgrammingDraftWire>

export const ProgrammingEndingDraftWire = z
  .strictObject({ at: InstantWire, reason: TextWire(1000) })
  .meta({ id: 'ProgrammingEndingDraft' })
export type ProgrammingEndingDraft = z.infer<typeof ProgrammingEndingDraftWire>

export const ProgrammingWire = z
  .strictObject({
    programming: KeyWire,
    station: KeyWire,
    instrument: KeyWire,
    programs: z.array(KeyWire),
    plan: KeyWire,
    revision: RevisionNumberWire,
    revisionDigest: DigestWire,
    keyedBy: KeyWire,
    readBackBy: KeyWire,
    at: InstantWire,
    recordedAt: InstantWire,
    /** Its recorded ending. A later programming, or the instrument leaving the station, ends it without one. */
    ending: z
      .strictObject({ at: InstantWire, reason: z.string(), endedBy: KeyWire, recordedAt: InstantWire })
      .nullable(),
  })
  .meta({ id: 'Programming' })
export type ProgrammingAnswer = z.infer<typeof ProgrammingWire>

// ------------------------------------------------------------------------------------------------ assignment

/** Why a station may not test now. Stored nowhere, but stations branch on them: never reused for another meaning. */
export const assignmentReasons = [
  'product-unknown',
  'variant-unknown',
  'nothing-in-force',
  'revision-unchecked',
  'revision-blocked',
  'instrument-missing',
  'instrument-not-capable',
  'calibration-expired',
  'programming-missing',
  'check-missing',
  'station-locked',
] as const
export type AssignmentReasonCode = (typeof assignmentReasons)[number]

const ReasonWire = z
  .strictObject({
    code: z.enum(assignmentReasons),
    facts: z.record(z.string(), z.union([z.string(), z.int(), z.array(z.string())])),
    /** A sentence for whoever stands at the station. */
    action: z.string(),
  })
  .meta({ id: 'AssignmentReason' })
export type AssignmentReason = z.infer<typeof ReasonWire>

const assigned = {
  mayTest: z.boolean(),
  reasons: z.array(ReasonWire),
  plan: KeyWire.nullable(),
  revision: RevisionNumberWire.nullable(),
  revisionDigest: DigestWire.nullable(),
  /** The one that a run must cite; null where the instrument keeps no programs. */
  programming: KeyWire.nullable(),
  inForceFrom: InstantWire.nullable(),
  /** Null: open. */
  inForceUntil: InstantWire.nullable(),
}

/** What a station is to test with, now and next. */
export const AssignmentWire = z
  .strictObject({
    station: KeyWire,
    product: KeyWire,
    variant: KeyWire.nullable(),
    operation: KeyWire,
    ...assigned,
    instrument: KeyWire.nullable(),
    /** The scheduled successor; a station switches to it by itself at `inForceUntil`. */
    next: z.strictObject(assigned).meta({ id: 'AssignmentNext' }).nullable(),
    checkDueAt: InstantWire.nullable(),
    leadOffsetDueAt: InstantWire.nullable(),
    /** How long a station that has lost the network may go on under this answer; null where it may not test. */
    trustUntil: InstantWire.nullable(),
  })
  .meta({ id: 'Assignment' })
export type Assignment = z.infer<typeof AssignmentWire>
export type AssignedNext = NonNullable<Assignment['next']>
