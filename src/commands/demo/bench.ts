import { writeInstant } from '../../exact/time.ts'
import type { UploadWire } from '../../intake/words.ts'
import type { Termination } from '../../judging/words.ts'

/**
 * The tester at station LDS-F2 as the plant's execution system sees it: runs of the EX36 with plausible numbers, all
 * invented. A station numbers its starts and mints a key for each.
 */

/** One run as it is kept at the station; `sentAt` is stamped at each sending. */
export type Run = Omit<UploadWire, 'sentAt'>
type RunStep = Run['steps'][number]
type RunMeasurement = RunStep['measurements'][number]

/** What a run cites, from the station's last assignment. */
export interface Cited {
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly programming: string
}

export interface Unit {
  readonly serial: string
  readonly variant: string
  /** Why it is tested again, where it is. */
  readonly attemptCause?: 'after-fail' | 'after-invalid' | 'after-rework'
}

export const STATION = 'LDS-F2'
export const INSTRUMENT = 'INS-0031'
/** The operator at the station, and who took the lead offset. Neither has a role. */
export const OPERATOR = 'P-0417'
export const TECHNICIAN = 'P-0398'

/** One run takes so long, from start to end. */
export const RUN_MS = 34_080

const q = (value: string, unit: string) => ({ value, unit })

/** A run in which everything is as it should be. Instants are milliseconds since the epoch. */
export function goodRun(
  unit: Unit,
  cited: Cited,
  placed: { readonly sequenceNumber: number; readonly startedAt: number; readonly leadOffsetAt: number },
): Run {
  const at = (afterMs: number) => writeInstant(placed.startedAt + afterMs)
  return {
    format: 'run/1',
    uploadKey: `${STATION}:${String(placed.sequenceNumber).padStart(7, '0')}`,
    sequenceNumber: placed.sequenceNumber,
    station: STATION,
    instrument: INSTRUMENT,
    programming: cited.programming,
    person: OPERATOR,
    source: 'instrument',
    purpose: 'production',
    product: 'EX36',
    variant: unit.variant,
    serial: unit.serial,
    plan: cited.plan,
    revision: cited.revision,
    revisionDigest: cited.revisionDigest,
    ...(unit.attemptCause === undefined ? {} : { attemptCause: unit.attemptCause }),
    startedAt: at(0),
    endedAt: at(RUN_MS),
    stationVerdict: 'pass',
    steps: [
      {
        step: 'bond',
        startedAt: at(880),
        endedAt: at(7_280),
        leadOffset: {
          ...q('21.0', 'mOhm'),
          takenAt: writeInstant(placed.leadOffsetAt),
          person: TECHNICIAN,
          subtractedBy: 'server',
        },
        measurements: [bond('motor-housing', '118.4'), bond('hose-collar', '126.9')],
      },
      {
        step: 'strength',
        startedAt: at(8_880),
        endedAt: at(11_480),
        measurements: [
          {
            measurement: 'live-to-earth',
            termination: 'completed',
            testVoltage: q(cited.revision >= 9 ? '1301' : '1251', 'V'),
            frequency: q('50.0', 'Hz'),
            rampUp: q('1.02', 's'),
            dwell: q('1.21', 's'),
            highestInRamp: q('1.75', 'mA'),
            reading: { quantity: 'current', detector: 'rms', ...q('1.74', 'mA') },
          },
        ],
      },
      {
        step: 'insulation',
        startedAt: at(12_880),
        endedAt: at(19_080),
        measurements: [
          {
            measurement: 'live-to-earth',
            termination: 'completed',
            testVoltage: q('508', 'V'),
            readAt: q('5.02', 's'),
            residualVoltage: q('7', 'V'),
            reading: { quantity: 'resistance', relation: '>', ...q('9.99', 'GOhm'), text: '>9.99 GΩ' },
          },
        ],
      },
      {
        step: 'touch',
        startedAt: at(21_380),
        endedAt: at(33_780),
        network: 'iec-60990-figure-4',
        supplyVoltage: q('245.6', 'V'),
        frequency: q('50.0', 'Hz'),
        measurements: [
          touch('normal-closed', '0.171'),
          touch('normal-open', '0.341'),
          touch('reversed-closed', '0.170'),
          touch('reversed-open', '0.340'),
        ],
      },
    ],
  }
}

function bond(measurement: string, milliohms: string): RunMeasurement {
  return {
    measurement,
    termination: 'completed',
    testCurrent: q('10.52', 'A'),
    dwell: q('2.03', 's'),
    reading: { quantity: 'resistance', ...q(milliohms, 'mOhm') },
  }
}

function touch(measurement: string, milliamperes: string): RunMeasurement {
  return {
    measurement,
    termination: 'completed',
    reading: { quantity: 'current', detector: 'rms', ...q(milliamperes, 'mA') },
  }
}

/** The same run where one measurement shows another number, or another unit. */
export function withReading(
  run: Run,
  place: { readonly step: string; readonly measurement: string },
  number: { readonly value?: string; readonly unit?: string },
): Run {
  return changeMeasurement(run, place, (one) => ({
    ...one,
    ...(one.reading && { reading: { ...one.reading, ...number } }),
  }))
}

/** The same run where one measurement was broken off at this voltage, and what would have come after it was not run. */
export function withBreakOff(
  run: Run,
  place: { readonly step: string; readonly measurement: string },
  end: { readonly termination: Termination; readonly testVoltage: string },
): Run {
  const changed = changeMeasurement(run, place, ({ measurement, frequency, rampUp }) => ({
    measurement,
    termination: end.termination,
    testVoltage: q(end.testVoltage, 'V'),
    frequency,
    rampUp,
  }))
  const last = changed.steps.findIndex(({ step }) => step === place.step)
  return { ...changed, steps: changed.steps.slice(0, last + 1), stationVerdict: 'fail' }
}

function changeMeasurement(
  run: Run,
  place: { readonly step: string; readonly measurement: string },
  change: (measurement: RunMeasurement) => RunMeasurement,
): Run {
  const steps = run.steps.map((step) =>
    step.step !== place.step
      ? step
      : {
          ...step,
          measurements: step.measurements.map((one) => (one.measurement === place.measurement ? change(one) : one)),
        },
  )
  return { ...run, steps }
}
