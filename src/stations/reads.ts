import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { stationNotFound } from './acts.ts'
import { programmingNotFound } from './acts-programming.ts'
import { holdsInstrument } from './instrument-assignment.ts'
import type { DatedPlace, PageAsked } from './places.ts'
import {
  writeCalibration,
  writeInstrument,
  writeInstrumentAssignment,
  writeProgramming,
  writeSite,
  writeStation,
} from './record.ts'
import {
  selectAssignmentsAround,
  selectAssignmentsOf,
  selectCalibration,
  selectCalibrations,
  selectInstrument,
  selectInstruments,
  selectProgramming,
  selectProgrammings,
  selectSite,
  selectSites,
  selectStation,
  selectStations,
} from './store.ts'
import type {
  CalibrationAnswer,
  Instrument,
  InstrumentAssignmentAnswer,
  ProgrammingAnswer,
  Site,
  Station,
} from './words.ts'

// Every list gives one row more than the page's limit where there are more.

function oneMore<Place>(page: PageAsked<Place>): PageAsked<Place> {
  return { after: page.after, limit: page.limit + 1 }
}

/** @throws Problem `site-not-found` */
export async function getSite(sql: Sql, site: string): Promise<Site> {
  const record = await selectSite(sql, site)
  if (record === undefined) throw new Problem('site-not-found', { detail: `There is no site ${site}.` })
  return writeSite(record)
}

/** Sites in order of their keys. */
export async function listSites(sql: Sql, page: PageAsked<string>): Promise<Site[]> {
  return (await selectSites(sql, oneMore(page))).map(writeSite)
}

/** @throws Problem `station-not-found` */
export async function getStation(sql: Sql, station: string): Promise<Station> {
  const record = await selectStation(sql, station)
  if (record === undefined) throw stationNotFound(station)
  return writeStation(record)
}

/** Stations in order of their keys, of one site where it is named. */
export async function listStations(sql: Sql, page: PageAsked<string>, site: string | undefined): Promise<Station[]> {
  return (await selectStations(sql, oneMore(page), site)).map(writeStation)
}

/** @throws Problem `instrument-not-found` */
export async function getInstrument(sql: Sql, instrument: string): Promise<Instrument> {
  const record = await selectInstrument(sql, instrument)
  if (record === undefined) {
    throw new Problem('instrument-not-found', { detail: `There is no instrument ${instrument}.` })
  }
  return writeInstrument(record)
}

/** Instruments in order of their keys. */
export async function listInstruments(sql: Sql, page: PageAsked<string>): Promise<Instrument[]> {
  return (await selectInstruments(sql, oneMore(page))).map(writeInstrument)
}

/**
 * The instruments assigned to a station, in order of the instant from which they were.
 * @throws Problem `station-not-found`
 */
export async function listInstrumentAssignments(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  station: string,
): Promise<InstrumentAssignmentAnswer[]> {
  const records = await selectAssignmentsOf(sql, station, oneMore(page))
  if (records.length === 0 && (await selectStation(sql, station)) === undefined) throw stationNotFound(station)
  return records.map(writeInstrumentAssignment)
}

/** @throws Problem `calibration-not-found` */
export async function getCalibration(sql: Sql, calibration: string): Promise<CalibrationAnswer> {
  const record = await selectCalibration(sql, calibration)
  if (record === undefined) {
    throw new Problem('calibration-not-found', { detail: `There is no calibration ${calibration}.` })
  }
  return writeCalibration(record)
}

/** Calibrations in the order in which they were performed, of one instrument where it is named. */
export async function listCalibrations(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  instrument: string | undefined,
): Promise<CalibrationAnswer[]> {
  return (await selectCalibrations(sql, oneMore(page), instrument)).map(writeCalibration)
}

/** @throws Problem `programming-not-found` */
export async function getProgramming(sql: Sql, programming: string): Promise<ProgrammingAnswer> {
  const record = await selectProgramming(sql, programming)
  if (record === undefined) throw programmingNotFound(programming)
  return writeProgramming(record)
}

/** Programmings in the order in which they were made, of one station or instrument where it is named. */
export async function listProgrammings(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  of: { readonly station?: string | undefined; readonly instrument?: string | undefined },
): Promise<ProgrammingAnswer[]> {
  return (await selectProgrammings(sql, oneMore(page), of)).map(writeProgramming)
}

/** Whether an instrument stood at a station at an instant, by all that is known now. */
export async function stoodAt(
  sql: Sql,
  placed: { readonly station: string; readonly instrument: string },
  at: number,
): Promise<boolean> {
  const assignments = await selectAssignmentsAround(sql, placed.station, placed.instrument)
  return holdsInstrument(assignments, placed, at) !== undefined
}
