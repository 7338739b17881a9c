import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { relations } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { unitCodes } from '../exact/unit-codes.ts'
import {
  attemptCauses,
  conformities,
  purposes,
  readingQuantities,
  readingSources,
  type StressName,
  stationVerdicts,
  terminations,
} from '../judging/words.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'

/**
 * The shapes of an upload. Numbers, units and instants are plain text here, because what is wrong with one has a code of
 * its own (`unit-ambiguous`, `offset-missing`, ...) that `read-upload` finds while it reads them exactly.
 */

const InstantText = z.string().min(1).max(64).meta({ format: 'date-time' })
const CountWire = z.int().min(0).max(Number.MAX_SAFE_INTEGER)

/** What a station wants kept and never judged. */
const ExtraWire = z
  .record(z.string().min(1).max(64), TextWire(1024, 0))
  .refine((extra) => Object.keys(extra).length <= 64, 'at most 64 members')
  .nullish()

/** A measured number. An absent, null or empty value is no reading; it is never zero. */
export const MeasuredWire = z
  .strictObject({
    value: z
      .string()
      .max(72)
      .nullish()
      .meta({ description: 'Decimal number; a JSON number is read from its own digits' }),
    unit: z
      .string()
      .max(16)
      .nullish()
      .meta({ examples: [...unitCodes.slice(0, 6)], description: 'UCUM code, case-sensitive' }),
    relation: z.enum(relations).nullish(),
  })
  .meta({ id: 'Measured' })
export type MeasuredWire = z.infer<typeof MeasuredWire>

const measured = MeasuredWire.nullish()

/** Measured stress and conditions; said on the step where they are common to its measurements. */
const stress = {
  testVoltage: measured,
  testCurrent: measured,
  supplyVoltage: measured,
  frequency: measured,
  rampUp: measured,
  dwell: measured,
  totalTime: measured,
  readAt: measured,
  residualVoltage: measured,
  highestInRamp: measured,
} satisfies Record<StressName, typeof measured>

export const ReadingWire = z
  .strictObject({
    quantity: z.enum(readingQuantities),
    detector: KeyWire.nullish(),
    value: z.string().max(72).nullish(),
    unit: z.string().max(16).nullish(),
    relation: z.enum(relations).nullish(),
    text: TextWire(256, 0).nullish(),
  })
  .meta({ id: 'Reading' })

export const UploadMeasurementWire = z
  .strictObject({
    measurement: KeyWire,
    termination: z.enum(terminations),
    stationVerdict: z.enum(stationVerdicts).nullish(),
    network: KeyWire.nullish(),
    ...stress,
    reading: ReadingWire.nullish(),
    conformity: z.enum(conformities).nullish().describe('Of an inspection, in place of a reading'),
    extra: ExtraWire,
  })
  .meta({ id: 'UploadMeasurement' })

export const UploadLeadOffsetWire = z.strictObject({
  value: z.string().max(72).nullish(),
  unit: z.string().max(16).nullish(),
  takenAt: InstantText,
  person: KeyWire,
  subtractedBy: z.enum(['server', 'station']),
})

export const UploadStepWire = z
  .strictObject({
    step: KeyWire,
    startedAt: InstantText,
    endedAt: InstantText,
    stationVerdict: z.enum(stationVerdicts).nullish(),
    network: KeyWire.nullish(),
    ...stress,
    leadOffset: UploadLeadOffsetWire.nullish(),
    measurements: z.array(UploadMeasurementWire).min(1).max(200),
    extra: ExtraWire,
  })
  .meta({ id: 'UploadStep' })

export const UploadWire = z
  .strictObject({
    format: z.literal('run/1').nullish(),
    uploadKey: KeyWire.meta({ description: 'Minted at test start, unique per station for ever' }),
    sequenceNumber: CountWire.meta({ description: 'Counts every start at the station' }),
    sentAt: InstantText.meta({ description: 'Stamped anew at each sending; lies outside the content digest' }),
    startedAgoMs: CountWire.nullish().meta({
      description: 'Monotonic time from start to sending; outside the content digest',
    }),
    station: KeyWire,
    instrument: KeyWire,
    programming: KeyWire.nullish(),
    person: KeyWire,
    source: z.enum(readingSources),
    purpose: z.enum(purposes),
    product: KeyWire,
    variant: KeyWire.nullish(),
    serial: z.string().min(1).max(RAW_LENGTH_MAX),
    plan: KeyWire,
    revision: z.int().min(1).max(2_147_483_647),
    revisionDigest: DigestWire,
    jobOrder: KeyWire.nullish(),
    materialLot: KeyWire.nullish(),
    componentLots: z
      .record(KeyWire, KeyWire)
      .refine((lots) => Object.keys(lots).length <= 64, 'at most 64 members')
      .nullish(),
    fixtureLoad: KeyWire.nullish(),
    fixturePosition: KeyWire.nullish(),
    attemptCause: z.enum(attemptCauses).nullish(),
    attemptOf: KeyWire.nullish(),
    replaces: KeyWire.nullish(),
    startedAt: InstantText,
    endedAt: InstantText,
    stationVerdict: z.enum(stationVerdicts).nullish(),
    ambient: z.strictObject({ temperature: measured, relativeHumidity: measured }).nullish(),
    // No step at all is a run that was broken off before its first: it is judged `incomplete`, not refused.
    steps: z.array(UploadStepWire).max(100),
    extra: ExtraWire,
  })
  .meta({ id: 'Upload', description: 'One unit put through one plan revision at one station.' })
export type UploadWire = z.infer<typeof UploadWire>
