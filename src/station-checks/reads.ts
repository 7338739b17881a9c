import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import type { DatedPlace, PageAsked } from '../stations/places.ts'
import { getStation } from '../stations/reads.ts'
import { checkPlanNotFound, referenceUnitNotFound } from './acts-governance.ts'
import { writeCheckPlan, writeReferenceUnit, writeStationCheck } from './record.ts'
import {
  selectCheckPlan,
  selectCheckPlans,
  selectReferenceUnits,
  selectReferenceUnitsNamed,
  selectStationCheck,
  selectStationChecks,
} from './store.ts'
import type { CheckPlan, ReferenceUnit, StationCheckAnswer } from './words.ts'

// Every list gives one row more than the page's limit where there are more.

function oneMore<Place>(page: PageAsked<Place>): PageAsked<Place> {
  return { after: page.after, limit: page.limit + 1 }
}

/** @throws Problem `reference-unit-not-found` */
export async function getReferenceUnit(sql: Sql, referenceUnit: string): Promise<ReferenceUnit> {
  const [row] = await selectReferenceUnitsNamed(sql, [referenceUnit])
  if (row === undefined) throw referenceUnitNotFound(referenceUnit)
  return writeReferenceUnit(row)
}

/** In order of their keys. */
export async function listReferenceUnits(sql: Sql, page: PageAsked<string>): Promise<ReferenceUnit[]> {
  return (await selectReferenceUnits(sql, oneMore(page))).map(writeReferenceUnit)
}

/** @throws Problem `check-plan-not-found` */
export async function getCheckPlan(
  sql: Sql,
  { station, checkPlan }: { readonly station: string; readonly checkPlan: number },
): Promise<CheckPlan> {
  const row = await selectCheckPlan(sql, station, checkPlan)
  if (row === undefined) throw checkPlanNotFound(station, checkPlan)
  return writeCheckPlan(row)
}

/**
 * In order of their numbers.
 * @throws Problem `station-not-found`
 */
export async function listCheckPlans(sql: Sql, page: PageAsked<number>, station: string): Promise<CheckPlan[]> {
  const rows = await selectCheckPlans(sql, station, oneMore(page))
  if (rows.length === 0) await getStation(sql, station)
  return rows.map(writeCheckPlan)
}

/** @throws Problem `station-check-not-found` */
export async function getStationCheck(sql: Sql, stationCheck: string): Promise<StationCheckAnswer> {
  const row = await selectStationCheck(sql, stationCheck)
  if (row === undefined) {
    throw new Problem('station-check-not-found', { detail: `There is no station check ${stationCheck}.` })
  }
  return writeStationCheck(row)
}

/** In the order in which they were made, of one station where it is named. */
export async function listStationChecks(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  station: string | undefined,
): Promise<StationCheckAnswer[]> {
  return (await selectStationChecks(sql, oneMore(page), station)).map(writeStationCheck)
}
