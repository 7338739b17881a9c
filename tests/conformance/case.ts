import { readdirSync, readFileSync } from 'node:fs'
import { z } from 'zod'
import { correctedMembers } from '../../src/corrections/words.ts'
import { outcomes, reasonCodes, type UploadCode, verdicts } from '../../src/judging/words.ts'
import { stepKinds } from '../../src/rules/words.ts'
import { AsFoundWire } from '../../src/stations/words.ts'
import { shipStates, unitEvents } from '../../src/units/event-words.ts'

/**
 * A case of the trade as data: what a house has written, what its stations send, and what must come of it. Both the pure
 * functions and the service over HTTP run every case. All of it plays at Aldermoor Works, an invented maker; no number is
 * a limit for a real product.
 *
 * Times are of one day, `HH:MM` with seconds and milliseconds where they matter; each runner has a day of its own for
 * each case. Changes are members to replace in the worked example of the wire contract, by pointer (RFC 6901); null
 * takes a member out.
 */
const Time = z.string().regex(/^\d\d:\d\d(:\d\d(\.\d{3})?)?$/)
const Changes = z.record(z.string().startsWith('/'), z.unknown())
const Facts = z.record(z.string(), z.string())

const MeasurementExpected = z.strictObject({
  step: z.string(),
  measurement: z.string().optional(),
  verdict: z.enum(verdicts).optional(),
  /** All of its reasons, in their order. */
  reasons: z.array(z.enum(reasonCodes)).optional(),
  facts: Facts.optional(),
  judged: z.string().optional(),
  limitUpper: z.string().optional(),
  margin: z.string().optional(),
})

const UploadExpected = z.strictObject({
  outcome: z.enum([...outcomes, 'conflict']),
  /** All of its codes, in whatever order. */
  codes: z.array(z.string().transform((code) => code as UploadCode)).optional(),
  pointer: z.string().optional(),
  verdict: z.enum(verdicts).nullable().optional(),
  measurements: z.array(MeasurementExpected).optional(),
  reasons: z.array(z.enum(reasonCodes)).optional(),
  repeated: z.boolean().optional(),
  evidence: z.string().nullable().optional(),
  standing: z.enum(outcomes).optional(),
  attempt: z.number().nullable().optional(),
  /** May the unit ship, as far as this answer knows. */
  releasable: z.boolean().optional(),
  skewMs: z.number().optional(),
})

const UploadGiven = z.strictObject({
  name: z.string(),
  /** A letter for a unit of the case, where the serial number itself does not matter. */
  unit: z
    .string()
    .regex(/^[A-Z]$/)
    .default('A'),
  revision: z.number().default(7),
  startedAt: Time.default('10:00'),
  /** By the server's clock; a minute after the start where it does not matter. */
  receivedAt: Time.optional(),
  /** By the station's clock; the receipt where it does not matter. */
  sentAt: Time.optional(),
  changes: Changes.default({}),
  /** The name of the upload whose key this one has. */
  keyOf: z.string().optional(),
  expect: UploadExpected,
})

const FindingExpected = z.strictObject({
  severity: z.enum(['blocking', 'warning']).default('blocking'),
  code: z.string(),
  step: z.string().optional(),
  variant: z.string().nullable().optional(),
  table: z.string().optional(),
  row: z.string().optional(),
  parameter: z.string().optional(),
  demanded: z.unknown().optional(),
  margin: z.unknown().optional(),
  facts: Facts.optional(),
})

const RevisionGiven = z.strictObject({
  revision: z.number().default(7),
  changes: Changes.default({}),
  inForceFrom: Time.default('06:00'),
  /** Refused as a draft: the pointer of the member. */
  refused: z.string().optional(),
  /** Who tries to approve it, in their order; the second person alone, and rightly, where there are none. */
  signings: z
    .array(
      z.strictObject({
        by: z.enum(['author', 'second-person']),
        /** The digest that the signer had seen. */
        seen: z.enum(['content', 'another']).default('content'),
        /** The problem that it is refused with. */
        refused: z.string().optional(),
      }),
    )
    .default([]),
  /** Written and submitted, and not approved; else approved. */
  isDraft: z.boolean().default(false),
  /** What blocks it when it is submitted, or when later rules are published. */
  blocking: z.array(FindingExpected).optional(),
  /** Further findings that must be there. */
  findings: z.array(FindingExpected).default([]),
})

const TableGiven = z.strictObject({
  /** Before everything else where absent. */
  at: Time.optional(),
  subject: z.string(),
  edition: z.number().default(1),
  table: z.string(),
  hitPolicy: z.enum(['U', 'C']).default('C'),
  inputs: z.array(z.unknown()).default([]),
  outputs: z.array(z.unknown()),
  /** Cells of `when`, then of `then`, row by row; rows are called r1, r2, ... */
  rows: z.array(z.array(z.string())),
  /** Why it is not published: rows that may not match together, and an input at which they do. */
  overlap: z.strictObject({ rows: z.array(z.string()), example: Facts }).optional(),
})

const EventGiven = z.strictObject({
  unit: z.string(),
  event: z.enum(unitEvents),
  at: Time,
  /** When somebody tells the service; the event's own time where it does not matter. */
  recordedAt: Time.optional(),
})

const CorrectionGiven = z.strictObject({
  /** The name of the upload. */
  of: z.string(),
  at: Time,
  step: z.string(),
  measurement: z.string(),
  member: z.enum(correctedMembers).default('reading'),
  to: z.strictObject({ value: z.string(), unit: z.string() }),
  reason: z.string().default('read wrongly off the display'),
  /** When a second person confirms it; nobody where absent. */
  confirmedAt: Time.optional(),
  expect: z.strictObject({ verdictBefore: z.enum(verdicts), verdictAfter: z.enum(verdicts), inEffect: z.boolean() }),
})

const CheckKinds = z.array(z.enum(stepKinds))

/** Checks of the station with a known-pass and a known-fail. */
const ChecksGiven = z.strictObject({
  /** What is asked for from a time on, for so many hours after each good check; nothing where absent. */
  demand: z.strictObject({ kinds: CheckKinds, hours: z.number(), from: Time.default('05:45') }).optional(),
  made: z.array(
    z.strictObject({
      at: Time,
      /** When it is told; its own time where it does not matter. */
      recordedAt: Time.optional(),
      kinds: CheckKinds,
      /** Those in which the known-fail passed. */
      faultPasses: CheckKinds.default([]),
      /** Units whose runs it puts in doubt, by where they are at the end of the day. */
      affected: z.partialRecord(z.enum(shipStates), z.array(z.string())).optional(),
    }),
  ),
})

/** Leave to depart from one limit, asked for by one person and approved by another. */
const PermitGiven = z.strictObject({
  permit: z.string(),
  at: Time.default('06:30'),
  step: z.string().default('strength'),
  member: z.enum(['limitUpper', 'limitLower']).default('limitUpper'),
  value: z.string(),
  unit: z.string(),
  quantity: z.number(),
  validUntil: Time.default('23:00'),
  /** The problem that its approval is refused with. */
  refused: z.string().optional(),
  /** Units that have passed under it at the end of the day. */
  used: z.number().optional(),
})

/** Leave given after a unit failed. */
const ConcessionGiven = z.strictObject({
  concession: z.string(),
  /** The name of the upload. */
  of: z.string(),
  at: Time,
  /** The person who asks approves as well. */
  isAlone: z.boolean().default(false),
  refused: z.string().optional(),
})

const UnitExpected = z.strictObject({
  unit: z.string(),
  /** Asked at this time of the day; at its end where it is absent. */
  askedAt: Time.optional(),
  shipState: z.enum(shipStates).optional(),
  concessions: z.array(z.string()).optional(),
  attempts: z.number().optional(),
  releasable: z.boolean(),
  reasons: z.array(z.string()).optional(),
  /** In the order of tests. */
  evidences: z.array(z.string().nullable()).optional(),
  verdicts: z.array(z.string().nullable()).optional(),
  /** As first judged, where a correction is in effect. */
  correctedFrom: z.array(z.string().nullable()).optional(),
})

/** Another tester that stands at the line for a while, in place of the usual one. */
const InstrumentGiven = z.strictObject({
  instrument: z.string(),
  from: Time,
  until: Time,
  /** In the order in which they were performed; each is recorded at once. */
  calibrations: z.array(
    z.strictObject({ calibration: z.string(), performedAt: Time, asFound: z.array(AsFoundWire).default([]) }),
  ),
})

/** One measurement that a study lists, in the order of the steps; numbers with their units. */
const MeasurementListed = z.strictObject({
  step: z.string(),
  measurement: z.string(),
  verdictBefore: z.enum(verdicts).default('pass'),
  verdictAfter: z.enum(verdicts),
  judgedBefore: z.string(),
  judgedAfter: z.string(),
  limitUpperBefore: z.string(),
  limitUpperAfter: z.string(),
  margin: z.string(),
})

const StudyGiven = z.strictObject({
  study: z.string(),
  askedAt: Time,
  question: z.discriminatedUnion('kind', [
    z.strictObject({ kind: z.literal('revision-change'), from: z.number(), to: z.number(), testedFrom: Time }),
    z.strictObject({ kind: z.literal('calibration-error'), calibration: z.string() }),
    z.strictObject({ kind: z.literal('edition-change'), table: z.string(), edition: z.number() }),
  ]),
  /** All that it lists, that furthest beyond its limit first. */
  findings: z.array(
    z.strictObject({
      /** The name of the upload. */
      of: z.string(),
      shipState: z.enum(shipStates).default('in-plant'),
      verdictBefore: z.enum(verdicts).default('pass'),
      verdictAfter: z.enum(verdicts),
      measurements: z.array(MeasurementListed),
    }),
  ),
})

/** A CSV file with the profile that its station declares, and what comes of it: rows by pointer, or the one fault. */
const FileGiven = z.strictObject({
  name: z.string(),
  /** Without station and number, which each runner gives. */
  profile: z.record(z.string(), z.json()),
  text: z.string().optional(),
  hex: z.string().optional(),
  expect: z.strictObject({
    /** Nobody can write such a profile: the pointer of the member; the file then finds none. */
    profileRefused: z.string().optional(),
    rows: z.array(z.record(z.string().startsWith('/'), z.unknown())).optional(),
    fault: z
      .strictObject({
        code: z.string(),
        row: z.number(),
        column: z.number().optional(),
        header: z.string().optional(),
        offset: z.number(),
      })
      .optional(),
  }),
})

export const ConformanceCaseWire = z.strictObject({
  case: z.string().regex(/^T\d\d[a-z]?$/),
  title: z.string(),
  note: z.string().optional(),
  /** Where its kind is generalised, by a property or a table of neighbours. */
  generalisedIn: z.array(z.string().startsWith('tests/')).min(1),
  product: Changes.default({}),
  tables: z.array(TableGiven).default([]),
  revisions: z.array(RevisionGiven).default([RevisionGiven.parse({})]),
  uploads: z.array(UploadGiven).default([]),
  corrections: z.array(CorrectionGiven).default([]),
  checks: ChecksGiven.optional(),
  permits: z.array(PermitGiven).default([]),
  concessions: z.array(ConcessionGiven).default([]),
  events: z.array(EventGiven).default([]),
  units: z.array(UnitExpected).default([]),
  instruments: z.array(InstrumentGiven).default([]),
  studies: z.array(StudyGiven).default([]),
  files: z.array(FileGiven).default([]),
})
export type ConformanceCase = z.infer<typeof ConformanceCaseWire>
export type UploadCase = ConformanceCase['uploads'][number]
export type RevisionCase = ConformanceCase['revisions'][number]
export type CorrectionCase = ConformanceCase['corrections'][number]
export type EventCase = ConformanceCase['events'][number]
export type PermitCase = ConformanceCase['permits'][number]
export type ConcessionCase = ConformanceCase['concessions'][number]
export type ChecksCase = NonNullable<ConformanceCase['checks']>
export type UnitCase = ConformanceCase['units'][number]
export type StudyCase = ConformanceCase['studies'][number]
export type FileCase = ConformanceCase['files'][number]
export type TableCase = ConformanceCase['tables'][number]

const FOLDER = new URL('./cases/', import.meta.url)

export const conformanceCases: readonly ConformanceCase[] = readdirSync(FOLDER)
  .filter((name) => name.endsWith('.json'))
  .sort()
  .map((name) => ConformanceCaseWire.parse(JSON.parse(readFileSync(new URL(name, FOLDER), 'utf8'))))
