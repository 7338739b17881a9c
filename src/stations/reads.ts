import type { Sql } from '../platform/database/sql.ts'
import { makePage, type Page } from '../platform/http/conventions.ts'
import { Problem } from '../platform/problems.ts'
import { stationNotFound } from './acts.ts'
import { programmingNotFound } from './acts-programming.ts'
import {
  writeCalibration,
  writeInstrument,
  writeInstrumentAssignment,
  writeProgramming,
  writeSite,
  writeStation,
} from './record.ts'
import {
  type DatedPlace,
  type PageAsked,
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

/** One row more than the page says whether there are more. */
function oneMore<Place>(page: PageAsked<Place>): PageAsked<Place> {
  return { after: page.after, limit: page.limit + 1 }
}

/** @throws Problem `site-not-found` */
export async function getSite(sql: Sql, site: string): Promise<Site> {
  const record = await selectSite(sql, site)
  if (record === undefined) throw new Problem('site-not-found', { detail: `There is no site ${site}.` })
  return writeSite(record)
}

/** Sites in order of their keys. `list` names the list in its cursors. */
export async function listSites(sql: Sql, list: string, page: PageAsked<string>): Promise<Page<Site>> {
  const records = await selectSites(sql, oneMore(page))
  return makePage(list, records.map(writeSite), page.limit, ({ site }) => site)
}

/** @throws Problem `station-not-found` */
export async function getStation(sql: Sql, station: string): Promise<Station> {
  const record = await selectStation(sql, station)
  if (record === undefined) throw stationNotFound(station)
  return writeStation(record)
}

/** Stations in order of their keys, of one site where it is named. */
export async function listStations(
  sql: Sql,
  list: string,
  page: PageAsked<string>,
  site: string | undefined,
): Promise<Page<Station>> {
  const records = await selectStations(sql, oneMore(page), site)
  return makePage(list, records.map(writeStation), page.limit, ({ station }) => station)
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
export async function listInstruments(sql: Sql, list: string, page: PageAsked<string>): Promise<Page<Instrument>> {
  const records = await selectInstruments(sql, oneMore(page))
  return makePage(list, records.map(writeInstrument), page.limit, ({ instrument }) => instrument)
}

/**
 * The instruments assigned to a station, in order of the instant from which they were.
 * @throws Problem `station-not-found`
 */
export async function listInstrumentAssignments(
  sql: Sql,
  list: string,
  page: PageAsked<DatedPlace>,
  station: string,
): Promise<Page<InstrumentAssignmentAnswer>> {
  const records = await selectAssignmentsOf(sql, station, oneMore(page))
  if (records.length === 0 && (await selectStation(sql, station)) === undefined) throw stationNotFound(station)
  const { items, nextCursor } = makePage(list, records, page.limit, ({ from, instrument }) => [from, instrument])
  return { items: items.map(writeInstrumentAssignment), nextCursor }
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
  list: string,
  page: PageAsked<DatedPlace>,
  instrument: string | undefined,
): Promise<Page<CalibrationAnswer>> {
  const records = await selectCalibrations(sql, oneMore(page), instrument)
  const { items, nextCursor } = makePage(list, records, page.limit, (one) => [one.performedAt, one.calibration])
  return { items: items.map(writeCalibration), nextCursor }
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
  list: string,
  page: PageAsked<DatedPlace>,
  of: { readonly station?: string | undefined; readonly instrument?: string | undefined },
): Promise<Page<ProgrammingAnswer>> {
  const records = await selectProgrammings(sql, oneMore(page), of)
  const { items, nextCursor } = makePage(list, records, page.limit, (one) => [one.at, one.programming])
  return { items: items.map(writeProgramming), nextCursor }
}
