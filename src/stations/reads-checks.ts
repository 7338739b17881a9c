import type { Sql } from '../platform/database/sql.ts'
import type { CheckDemand, StationCheck, StationChecks } from './station-check.ts'

/** What is known of the checks of stations, for those of which anything is; the rows are kept by the room above. */
export async function readStationChecks(sql: Sql, stations: readonly string[]): Promise<Map<string, StationChecks>> {
  const found = new Map<string, { demands: CheckDemand[]; checks: StationCheck[] }>()
  const of = (station: string) => {
    const known = found.get(station) ?? { demands: [], checks: [] }
    found.set(station, known)
    return known
  }
  const demands = await sql.query<CheckDemand & { readonly station: string }>(
    `SELECT station, kinds, valid_for_ms AS "validFor", effective_from AS "effectiveFrom"
     FROM governance.check_plan JOIN governance.check_plan_confirmation USING (station, number)
     WHERE station = ANY ($1) ORDER BY station, confirmed_at`,
    [stations],
    'stations_check_demands',
  )
  for (const { station, ...demand } of demands) of(station).demands.push(demand)
  const checks = await sql.query<StationCheck & { readonly station: string }>(
    `SELECT station, station_check AS "stationCheck", instrument, at, results, recorded_at AS "recordedAt"
     FROM governance.station_check WHERE station = ANY ($1) ORDER BY at, station_check`,
    [stations],
    'stations_checks',
  )
  for (const { station, ...check } of checks) of(station).checks.push(check)
  return found
}
