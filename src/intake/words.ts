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

/** Where a unit is sent: every code, and what else is read as one. */
const UNIT = `UCUM, case-sensitive: ${unitCodes.join(' ')}; also read are ohm and Ω for Ohm, µ for u, VA for V.A`

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
    unit: z.string().max(16).nullish().describe(UNIT),
    relation: z.enum(relations).nullish().describe('< or > where only a bound is known'),
  })
  .meta({ id: 'Measured' })
export type MeasuredWire = z.infer<typeof MeasuredWire>

const measured = MeasuredWire.nullish()

/** Measured stress and conditions; said on the step where they are common to its measurements. */
const stress = {
  testVoltage: measured.describe('Highest voltage held'),
  testCurrent: measured.describe('Least current held'),
  supplyVoltage: measured.describe('At the unit'),
  frequency: measured.describe('Of the stress or the supply'),
  rampUp: measured.describe('Time to rise'),
  dwell: measured.describe('Time at full stress'),
  totalTime: measured.describe('Of the whole measurement'),
  readAt: measured.describe('From the beginning of the stress to the reading'),
  residualVoltage: measured.describe('Left when the leads were let go'),
  highestInRamp: measured.describe('Highest current while the voltage rose'),
} satisfies Record<StressName, typeof measured>

export const ReadingWire = z
  .strictObject({
    quantity: z
      .enum(readingQuantities)
      .describe('What was read: a current, a resistance, a voltage, or the drop over a bond'),
    detector: KeyWire.nullish().describe('rms, peak or dc, letter by letter as the plan says it'),
    value: z
      .string()
      .max(72)
      .nullish()
      .describe('Decimal number; absent, null or empty where there was no reading, which is never zero'),
    unit: z.string().max(16).nullish().describe(UNIT),
    relation: z.enum(relations).nullish().describe('< or > where only a bound is known, as where the display ended'),
    text: TextWire(256, 0).nullish().describe('As the display showed it'),
  })
  .meta({ id: 'Reading' })

export const UploadMeasurementWire = z
  .strictObject({
    measurement: KeyWire.describe('As the plan calls it'),
    termination: z.enum(terminations).describe('How it ended: completed, or what broke it off'),
    stationVerdict: z
      .enum(stationVerdicts)
      .nullish()
      .describe('What the station itself says of it; it can only make the verdict worse'),
    network: KeyWire.nullish().describe('The measuring network of a touch current, as the plan calls it'),
    ...stress,
    reading: ReadingWire.nullish().describe('Absent where there was none'),
    conformity: z.enum(conformities).nullish().describe('Of an inspection, in place of a reading'),
    extra: ExtraWire.describe('Kept, and never judged'),
  })
  .meta({ id: 'UploadMeasurement' })

export const UploadLeadOffsetWire = z.strictObject({
  value: z.string().max(72).nullish().describe('Resistance of the leads'),
  unit: z.string().max(16).nullish().describe(UNIT),
  takenAt: InstantText.describe('When it was measured'),
  person: KeyWire.describe('Who measured it'),
  subtractedBy: z
    .enum(['server', 'station'])
    .describe('Who takes it off: the server (readings are raw) or the station (they are net)'),
})

export const UploadStepWire = z
  .strictObject({
    step: KeyWire.describe('As the plan calls it'),
    startedAt: InstantText.describe('With offset'),
    endedAt: InstantText.describe('With offset'),
    stationVerdict: z.enum(stationVerdicts).nullish().describe('What the station itself says of the step'),
    network: KeyWire.nullish().describe('Common to its measurements'),
    ...stress,
    leadOffset: UploadLeadOffsetWire.nullish().describe('Of a two-wire step'),
    measurements: z.array(UploadMeasurementWire).min(1).max(200).describe('One for each that was made'),
    extra: ExtraWire.describe('Kept, and never judged'),
  })
  .meta({ id: 'UploadStep' })

export const UploadWire = z
  .strictObject({
    format: z.literal('run/1').nullish().describe('Of this form of upload'),
    uploadKey: KeyWire.meta({ description: 'Minted at test start, unique per station for ever' }),
    sequenceNumber: CountWire.meta({
      description:
        'Counts every start at the station, also over a change of its computer; orders tests that began at one instant. A run sent again under a new key keeps its number',
    }),
    sentAt: InstantText.meta({ description: 'Stamped anew at each sending; lies outside the content digest' }),
    startedAgoMs: CountWire.nullish().meta({
      description: 'Monotonic time from start to sending; outside the content digest',
    }),
    station: KeyWire.describe('Where it was tested'),
    instrument: KeyWire.describe('The tester that stood there'),
    programming: KeyWire.nullish().describe('Of the assignment; none where the tester keeps no programs'),
    person: KeyWire.describe('Who tested'),
    source: z
      .enum(readingSources)
      .describe('How readings came: from the instrument, keyed off its display, or written by hand'),
    purpose: z
      .enum(purposes)
      .describe('production for a unit that is to ship; verification and engineering runs are held and prove nothing'),
    product: KeyWire.describe('Model'),
    variant: KeyWire.nullish().describe('Of the product, where it has variants'),
    serial: z.string().min(1).max(RAW_LENGTH_MAX).describe('As read; spaces and case by the rule of the product'),
    plan: KeyWire.describe('Of the assignment'),
    revision: z.int().min(1).max(2_147_483_647).describe('Of the assignment'),
    revisionDigest: DigestWire.describe('Of the assignment; lower case'),
    jobOrder: KeyWire.nullish().describe('Of production'),
    materialLot: KeyWire.nullish().describe('Of the unit'),
    componentLots: z
      .record(KeyWire, KeyWire)
      .refine((lots) => Object.keys(lots).length <= 64, 'at most 64 members')
      .nullish()
      .describe('Component to lot'),
    fixtureLoad: KeyWire.nullish().describe('One loading of a fixture that holds several units'),
    fixturePosition: KeyWire.nullish().describe('Where in it the unit sat'),
    attemptCause: z
      .enum(attemptCauses)
      .nullish()
      .describe('Why the unit is tested again; needed after a failure in a run that did not count'),
    attemptOf: KeyWire.nullish().describe('Upload key of the run before, for people'),
    replaces: KeyWire.nullish().describe(
      'Upload key of a rejected upload that this one stands in for, for people; it need not exist',
    ),
    startedAt: InstantText.describe('By the station, with offset'),
    endedAt: InstantText.describe('By the station, with offset'),
    stationVerdict: z
      .enum(stationVerdicts)
      .nullish()
      .describe('What the station itself says of the run; it can only make the verdict worse'),
    ambient: z
      .strictObject({ temperature: measured.describe('Cel'), relativeHumidity: measured.describe('%') })
      .nullish()
      .describe('Kept, and never judged'),
    // No step at all is a run that was broken off before its first: it is judged `incomplete`, not refused.
    steps: z.array(UploadStepWire).max(100).describe('In the order in which they were run'),
    extra: ExtraWire.describe('Kept, and never judged'),
  })
  .meta({ id: 'Upload', description: 'One unit put through one plan revision at one station.' })
export type UploadWire = z.infer<typeof UploadWire>
