import type { Sql } from '../platform/database/sql.ts'
import { timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { DatedPlace, PageAsked } from './places.ts'
import type {
  CalibrationRecord,
  InstrumentAssignmentRecord,
  InstrumentRecord,
  ProgrammingRecord,
  SiteRecord,
  StationRecord,
} from './record.ts'

// ------------------------------------------------------------------------------------------------ sites

export const SITE = `site, name, time_zone AS "timeZone", opened_at AS "openedAt", recorded_at AS "recordedAt",
  recorded_by AS "recordedBy"`

export async function insertSite(act: Act, record: SiteRecord): Promise<void> {
  const { openedAt, recordedAt, ...rest } = record
  await act.prisma.site.create({ data: { ...rest, openedAt: new Date(openedAt), recordedAt: new Date(recordedAt) } })
}

export async function selectSite(sql: Sql, site: string): Promise<SiteRecord | undefined> {
  const [row] = await sql.query<SiteRecord>(
    `SELECT ${SITE} FROM governance.site WHERE site = $1`,
    [site],
    'stations_site',
  )
  return row
}

export function selectSites(sql: Sql, page: PageAsked<string>): Promise<SiteRecord[]> {
  return sql.query<SiteRecord>(
    `SELECT ${SITE} FROM governance.site WHERE site > $1 ORDER BY site LIMIT $2`,
    [page.after ?? '', page.limit],
    'stations_sites',
  )
}

// ------------------------------------------------------------------------------------------------ stations

export const STATION = 'station, site, name, linked, recorded_at AS "recordedAt", recorded_by AS "recordedBy"'

export async function insertStation(act: Act, record: StationRecord): Promise<void> {
  await act.prisma.station.create({ data: { ...record, recordedAt: new Date(record.recordedAt) } })
}

export async function selectStation(sql: Sql, station: string): Promise<StationRecord | undefined> {
  const [row] = await sql.query<StationRecord>(
    `SELECT ${STATION} FROM governance.station WHERE station = $1`,
    [station],
    'stations_station',
  )
  return row
}

export function selectStations(sql: Sql, page: PageAsked<string>, site: string | undefined): Promise<StationRecord[]> {
  return sql.query<StationRecord>(
    `SELECT ${STATION} FROM governance.station WHERE station > $1 AND ($3::text IS NULL OR site = $3)
     ORDER BY station LIMIT $2`,
    [page.after ?? '', page.limit, site ?? null],
    'stations_stations',
  )
}

// ------------------------------------------------------------------------------------------------ instruments

const INSTRUMENT = 'instrument, name, capabilities, recorded_at AS "recordedAt", recorded_by AS "recordedBy"'

export async function insertInstrument(act: Act, record: InstrumentRecord): Promise<void> {
  await act.prisma.instrument.create({ data: { ...record, recordedAt: new Date(record.recordedAt) } })
}

export async function selectInstrument(sql: Sql, instrument: string): Promise<InstrumentRecord | undefined> {
  const [row] = await selectInstrumentsNamed(sql, [instrument])
  return row
}

export function selectInstrumentsNamed(sql: Sql, instruments: readonly string[]): Promise<InstrumentRecord[]> {
  return sql.query<InstrumentRecord>(
    `SELECT ${INSTRUMENT} FROM governance.instrument WHERE instrument = ANY ($1) ORDER BY instrument`,
    [instruments],
    'stations_instruments_named',
  )
}

export function selectInstruments(sql: Sql, page: PageAsked<string>): Promise<InstrumentRecord[]> {
  return sql.query<InstrumentRecord>(
    `SELECT ${INSTRUMENT} FROM governance.instrument WHERE instrument > $1 ORDER BY instrument LIMIT $2`,
    [page.after ?? '', page.limit],
    'stations_instruments',
  )
}

// ------------------------------------------------------------------------------------------------ assignments

export const ASSIGNMENT = `station, instrument, from_at AS "from", until_at AS "until", recorded_at AS "recordedAt",
  recorded_by AS "recordedBy"`

export async function insertInstrumentAssignment(act: Act, record: InstrumentAssignmentRecord): Promise<void> {
  const { from, until, recordedAt, ...rest } = record
  await act.prisma.instrumentAssignment.create({
    data: {
      ...rest,
      fromAt: new Date(from),
      untilAt: until === null ? null : new Date(until),
      recordedAt: new Date(recordedAt),
    },
  })
}

/** Every row of the station and of every instrument that ever stood there, with those of `instrument` where given. */
export function selectAssignmentsAround(
  sql: Sql,
  station: string,
  instrument?: string,
): Promise<InstrumentAssignmentRecord[]> {
  return sql.query<InstrumentAssignmentRecord>(
    `SELECT ${ASSIGNMENT} FROM governance.instrument_assignment
     WHERE station = $1 OR instrument = $2
        OR instrument IN (SELECT instrument FROM governance.instrument_assignment WHERE station = $1)
     ORDER BY from_at, station, instrument`,
    [station, instrument ?? null],
    'stations_assignments_around',
  )
}

export function selectAssignmentsOf(
  sql: Sql,
  station: string,
  page: PageAsked<DatedPlace>,
): Promise<InstrumentAssignmentRecord[]> {
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  return sql.query<InstrumentAssignmentRecord>(
    `SELECT ${ASSIGNMENT} FROM governance.instrument_assignment
     WHERE station = $1 AND (from_at, instrument) > ($2::timestamptz, $3) ORDER BY from_at, instrument LIMIT $4`,
    [station, timestamptzText(at), key, page.limit],
    'stations_assignments',
  )
}

/** Every station at which the instrument ever stood, with its site: those are concerned by what happens to it. */
export function selectStationsOfInstrument(
  sql: Sql,
  instrument: string,
): Promise<{ readonly station: string; readonly site: string }[]> {
  return sql.query<{ station: string; site: string }>(
    `SELECT DISTINCT s.station, s.site FROM governance.instrument_assignment a
     JOIN governance.station s ON s.station = a.station WHERE a.instrument = $1 ORDER BY s.station`,
    [instrument],
    'stations_of_instrument',
  )
}

// ------------------------------------------------------------------------------------------------ calibrations

export const CALIBRATION = `calibration, instrument, performed_at AS "performedAt", due_on AS "dueOn",
  coalesce(uncertainty, '[]') AS uncertainty, coalesce(as_found, '[]') AS "asFound", recorded_at AS "recordedAt", recorded_by AS "recordedBy"`

export async function insertCalibration(act: Act, record: CalibrationRecord): Promise<void> {
  const { performedAt, dueOn, recordedAt, uncertainty, asFound, ...rest } = record
  await act.prisma.calibration.create({
    data: {
      ...rest,
      ...(uncertainty.length > 0 && { uncertainty: [...uncertainty] }),
      ...(asFound.length > 0 && { asFound: [...asFound] }),
      performedAt: new Date(performedAt),
      dueOn: new Date(`${dueOn}T00:00:00Z`),
      recordedAt: new Date(recordedAt),
    },
  })
}

export async function selectCalibration(sql: Sql, calibration: string): Promise<CalibrationRecord | undefined> {
  const [row] = await sql.query<CalibrationRecord>(
    `SELECT ${CALIBRATION} FROM governance.calibration WHERE calibration = $1`,
    [calibration],
    'stations_calibration',
  )
  return row
}

export function selectCalibrations(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  instrument: string | undefined,
): Promise<CalibrationRecord[]> {
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  return sql.query<CalibrationRecord>(
    `SELECT ${CALIBRATION} FROM governance.calibration
     WHERE (performed_at, calibration) > ($1::timestamptz, $2) AND ($4::text IS NULL OR instrument = $4)
     ORDER BY performed_at, calibration LIMIT $3`,
    [timestamptzText(at), key, page.limit, instrument ?? null],
    'stations_calibrations',
  )
}

export function selectCalibrationsOf(sql: Sql, instruments: readonly string[]): Promise<CalibrationRecord[]> {
  return sql.query<CalibrationRecord>(
    `SELECT ${CALIBRATION} FROM governance.calibration WHERE instrument = ANY ($1)`,
    [instruments],
    'stations_calibrations_of',
  )
}

// ------------------------------------------------------------------------------------------------ programmings

export interface ProgrammingRow extends Omit<ProgrammingRecord, 'ending'> {
  readonly endedAt: number | null
  readonly endingReason: string | null
  readonly endedBy: string | null
  readonly endingRecordedAt: number | null
}

export const PROGRAMMING = `p.programming, p.station, p.instrument, p.programs, p.plan, p.revision,
  p.revision_digest AS "revisionDigest", p.keyed_by AS "keyedBy", p.read_back_by AS "readBackBy", p.at,
  p.recorded_at AS "recordedAt", e.at AS "endedAt", e.reason AS "endingReason", e.ended_by AS "endedBy",
  e.recorded_at AS "endingRecordedAt"
  FROM governance.programming p LEFT JOIN governance.programming_ending e ON e.programming = p.programming`

export async function insertProgramming(act: Act, record: Omit<ProgrammingRecord, 'ending'>): Promise<void> {
  const { programs, at, recordedAt, ...rest } = record
  await act.prisma.programming.create({
    data: { ...rest, programs: [...programs], at: new Date(at), recordedAt: new Date(recordedAt) },
  })
}

export async function insertProgrammingEnding(
  act: Act,
  programming: string,
  ending: NonNullable<ProgrammingRecord['ending']>,
): Promise<void> {
  const { at, recordedAt, ...rest } = ending
  await act.prisma.programmingEnding.create({
    data: { programming, ...rest, at: new Date(at), recordedAt: new Date(recordedAt) },
  })
}

export async function selectProgramming(sql: Sql, programming: string): Promise<ProgrammingRecord | undefined> {
  const [row] = await sql.query<ProgrammingRow>(
    `SELECT ${PROGRAMMING} WHERE p.programming = $1`,
    [programming],
    'stations_programming',
  )
  return row && programmingOf(row)
}

export async function selectProgrammings(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  of: { readonly station?: string | undefined; readonly instrument?: string | undefined },
): Promise<ProgrammingRecord[]> {
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  const rows = await sql.query<ProgrammingRow>(
    `SELECT ${PROGRAMMING} WHERE (p.at, p.programming) > ($1::timestamptz, $2)
       AND ($4::text IS NULL OR p.station = $4) AND ($5::text IS NULL OR p.instrument = $5)
     ORDER BY p.at, p.programming LIMIT $3`,
    [timestamptzText(at), key, page.limit, of.station ?? null, of.instrument ?? null],
    'stations_programmings',
  )
  return rows.map(programmingOf)
}

export async function selectProgrammingsOf(sql: Sql, instruments: readonly string[]): Promise<ProgrammingRecord[]> {
  const rows = await sql.query<ProgrammingRow>(
    `SELECT ${PROGRAMMING} WHERE p.instrument = ANY ($1)`,
    [instruments],
    'stations_programmings_of',
  )
  return rows.map(programmingOf)
}

export function programmingOf(row: ProgrammingRow): ProgrammingRecord {
  const { endedAt, endingReason, endedBy, endingRecordedAt, ...rest } = row
  if (endedAt === null || endingReason === null || endedBy === null || endingRecordedAt === null) {
    return { ...rest, ending: null }
  }
  return { ...rest, ending: { at: endedAt, reason: endingReason, endedBy, recordedAt: endingRecordedAt } }
}
