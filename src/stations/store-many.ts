import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { DatedPlace, PageAsked } from './places.ts'
import type {
  CalibrationRecord,
  InstrumentAssignmentRecord,
  ProgrammingRecord,
  SiteRecord,
  StationRecord,
} from './record.ts'
import { ASSIGNMENT, CALIBRATION, PROGRAMMING, type ProgrammingRow, programmingOf, SITE, STATION } from './store.ts'

/** Rows of many at once: those named, in no order, or the same page of each of many parents. */

export function selectSitesNamed(sql: Sql, sites: readonly string[]): Promise<SiteRecord[]> {
  return sql.query<SiteRecord>(
    `SELECT ${SITE} FROM governance.site WHERE site = ANY ($1)`,
    [sites],
    'stations_sites_named',
  )
}

export function selectStationsNamed(sql: Sql, stations: readonly string[]): Promise<StationRecord[]> {
  return sql.query<StationRecord>(
    `SELECT ${STATION} FROM governance.station WHERE station = ANY ($1)`,
    [stations],
    'stations_stations_named',
  )
}

export function selectStationsOf(
  sql: Sql,
  sites: readonly string[],
  page: PageAsked<string>,
): Promise<StationRecord[]> {
  return sql.query<StationRecord>(
    `SELECT s.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${STATION} FROM governance.station WHERE site = asked.key AND station > $2 ORDER BY station LIMIT $3) s`,
    [sites, page.after ?? '', page.limit],
    'stations_stations_of',
  )
}

export function selectAssignmentsOfMany(
  sql: Sql,
  stations: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<InstrumentAssignmentRecord[]> {
  return sql.query<InstrumentAssignmentRecord>(
    `SELECT a.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${ASSIGNMENT} FROM governance.instrument_assignment
       WHERE station = asked.key AND (from_at, instrument) > ($2::timestamptz, $3)
       ORDER BY from_at, instrument LIMIT $4) a`,
    [stations, ...placeOf(page), page.limit],
    'stations_assignments_of_many',
  )
}

export function selectCalibrationsOfMany(
  sql: Sql,
  instruments: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<CalibrationRecord[]> {
  return sql.query<CalibrationRecord>(
    `SELECT c.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${CALIBRATION} FROM governance.calibration
       WHERE instrument = asked.key AND (performed_at, calibration) > ($2::timestamptz, $3)
       ORDER BY performed_at, calibration LIMIT $4) c`,
    [instruments, ...placeOf(page), page.limit],
    'stations_calibrations_of_many',
  )
}

/** By station or by instrument: what `of` names is what the keys are. */
export async function selectProgrammingsOfMany(
  sql: Sql,
  of: 'station' | 'instrument',
  keys: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<ProgrammingRecord[]> {
  const rows = await sql.query<ProgrammingRow>(
    `SELECT one.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${PROGRAMMING} WHERE p.${of} = asked.key AND (p.at, p.programming) > ($2::timestamptz, $3)
       ORDER BY p.at, p.programming LIMIT $4) one`,
    [keys, ...placeOf(page), page.limit],
    `stations_programmings_of_many_${of}`,
  )
  return rows.map(programmingOf)
}

function placeOf(page: PageAsked<DatedPlace>): [string, string] {
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  return [timestamptzText(at), key]
}
