import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { Calibration } from './calibration.ts'
import type { InstrumentAssignment } from './instrument-assignment.ts'
import type { Programming } from './programming.ts'
import type {
  AsFound,
  CalibrationAnswer,
  Capabilities,
  Instrument,
  InstrumentAssignmentAnswer,
  ProgrammingAnswer,
  Site,
  Station,
} from './words.ts'

/**
 * The rows of this room as values, instants in milliseconds since the epoch, and how each is answered. Who recorded a
 * fact is the person's key.
 */
export interface Authored {
  readonly recordedAt: number
  readonly recordedBy: string
}

export interface SiteRecord extends Authored {
  readonly site: string
  readonly name: string
  readonly timeZone: string
  readonly openedAt: number
}

export interface StationRecord extends Authored {
  readonly station: string
  readonly site: string
  readonly name: string
  readonly linked: Station['linked']
}

export interface InstrumentRecord extends Authored {
  readonly instrument: string
  readonly name: string
  readonly capabilities: Instrument['capabilities']
}

export type InstrumentAssignmentRecord = InstrumentAssignment & Authored
export type CalibrationRecord = Calibration & Authored & { readonly asFound: readonly AsFound[] }

export interface ProgrammingRecord extends Programming {
  readonly keyedBy: string
  readonly readBackBy: string
  readonly ending: (NonNullable<Programming['ending']> & { readonly reason: string; readonly endedBy: string }) | null
}

/** Capabilities as stored: what was not given is null or left out, always alike. */
export function storedCapabilities({ programs, kinds }: Capabilities): Instrument['capabilities'] {
  return {
    programs: programs ?? null,
    kinds: kinds.map(({ kind, range, accuracy }) => ({
      kind,
      ...(range && {
        range: {
          ...(range.least && { least: range.least }),
          ...(range.most && { most: range.most }),
          unit: range.unit,
        },
      }),
      ...(accuracy && { accuracy }),
    })),
  }
}

export function writeSite(record: SiteRecord): Site {
  return { ...record, openedAt: writeInstant(record.openedAt), recordedAt: writeInstant(record.recordedAt) }
}

export function writeStation(record: StationRecord): Station {
  return { ...record, recordedAt: writeInstant(record.recordedAt) }
}

export function writeInstrument(record: InstrumentRecord): Instrument {
  return { ...record, recordedAt: writeInstant(record.recordedAt) }
}

export function writeInstrumentAssignment(record: InstrumentAssignmentRecord): InstrumentAssignmentAnswer {
  return {
    ...record,
    from: writeInstant(record.from),
    until: writeInstantOrNull(record.until),
    recordedAt: writeInstant(record.recordedAt),
  }
}

export function writeCalibration(record: CalibrationRecord): CalibrationAnswer {
  return {
    ...record,
    uncertainty: [...record.uncertainty],
    asFound: [...record.asFound],
    performedAt: writeInstant(record.performedAt),
    recordedAt: writeInstant(record.recordedAt),
  }
}

export function writeProgramming(record: ProgrammingRecord): ProgrammingAnswer {
  const { ending } = record
  return {
    ...record,
    programs: [...record.programs],
    at: writeInstant(record.at),
    recordedAt: writeInstant(record.recordedAt),
    ending: ending && {
      at: writeInstant(ending.at),
      reason: ending.reason,
      endedBy: ending.endedBy,
      recordedAt: writeInstant(ending.recordedAt),
    },
  }
}
