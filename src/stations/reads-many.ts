import type { Sql } from '../platform/database/sql.ts'
import type { DatedPlace, PageAsked } from './places.ts'
import {
  writeCalibration,
  writeInstrument,
  writeInstrumentAssignment,
  writeProgramming,
  writeSite,
  writeStation,
} from './record.ts'
import { selectInstrumentsNamed } from './store.ts'
import {
  selectAssignmentsOfMany,
  selectCalibrationsOfMany,
  selectProgrammingsOfMany,
  selectSitesNamed,
  selectStationsNamed,
  selectStationsOf,
} from './store-many.ts'
import type {
  CalibrationAnswer,
  Instrument,
  InstrumentAssignmentAnswer,
  ProgrammingAnswer,
  Site,
  Station,
} from './words.ts'

// The questions of `reads.ts` for many at once, one statement each. Those named come in no order and without those that
// are not there; of each of many parents the same page comes, one more than its limit where there are more.

function oneMore<Place>(page: PageAsked<Place>): PageAsked<Place> {
  return { after: page.after, limit: page.limit + 1 }
}

export async function readSites(sql: Sql, sites: readonly string[]): Promise<Site[]> {
  return (await selectSitesNamed(sql, sites)).map(writeSite)
}

export async function readStations(sql: Sql, stations: readonly string[]): Promise<Station[]> {
  return (await selectStationsNamed(sql, stations)).map(writeStation)
}

export async function readInstruments(sql: Sql, instruments: readonly string[]): Promise<Instrument[]> {
  return (await selectInstrumentsNamed(sql, instruments)).map(writeInstrument)
}

/** The stations of each of these sites, in order of their keys. */
export async function readStationsOf(sql: Sql, sites: readonly string[], page: PageAsked<string>): Promise<Station[]> {
  return (await selectStationsOf(sql, sites, oneMore(page))).map(writeStation)
}

/** The instruments assigned to each of these stations, in order of the instant from which they were. */
export async function readAssignmentsOf(
  sql: Sql,
  stations: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<InstrumentAssignmentAnswer[]> {
  return (await selectAssignmentsOfMany(sql, stations, oneMore(page))).map(writeInstrumentAssignment)
}

/** The calibrations of each of these instruments, in the order in which they were performed. */
export async function readCalibrationsOf(
  sql: Sql,
  instruments: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<CalibrationAnswer[]> {
  return (await selectCalibrationsOfMany(sql, instruments, oneMore(page))).map(writeCalibration)
}

/** The programmings at each of these stations, or on each of these instruments, in the order in which they were made. */
export async function readProgrammingsOf(
  sql: Sql,
  of: 'station' | 'instrument',
  keys: readonly string[],
  page: PageAsked<DatedPlace>,
): Promise<ProgrammingAnswer[]> {
  return (await selectProgrammingsOfMany(sql, of, keys, oneMore(page))).map(writeProgramming)
}
