import type { Sql } from '../platform/database/sql.ts'
import { type ReachedStation, type ReachFacts, stationsReached } from './reach.ts'
import type { InstrumentAssignmentRecord } from './record.ts'
import { ASSIGNMENT, selectInstrumentsNamed, selectProgrammingsOf } from './store.ts'

/** The stations at these sites that a plan for a product and operation reaches at `at`, in order of their keys. */
export async function readReachedStations(
  sql: Sql,
  asked: {
    readonly plan: string
    readonly product: string
    readonly operation: string
    readonly kinds: ReadonlySet<string>
    readonly sites: readonly string[]
  },
  at: number,
): Promise<ReachedStation[]> {
  const stations = await sql.query<ReachFacts['stations'][number]>(
    `SELECT s.station, s.site, EXISTS (SELECT 1 FROM governance.programming p JOIN governance.plan n ON n.plan = p.plan
       WHERE p.station = s.station AND n.product = $2 AND n.operation = $3) AS "wasProgrammed"
     FROM governance.station s WHERE s.site = ANY ($1) ORDER BY s.station`,
    [asked.sites, asked.product, asked.operation],
    'stations_reached',
  )
  const assignments = await sql.query<InstrumentAssignmentRecord>(
    `SELECT ${ASSIGNMENT} FROM governance.instrument_assignment WHERE station = ANY ($1) OR instrument IN
       (SELECT instrument FROM governance.instrument_assignment WHERE station = ANY ($1))`,
    [stations.map(({ station }) => station)],
    'stations_assignments_reached',
  )
  const instruments = [...new Set(assignments.map(({ instrument }) => instrument))]
  const records = await selectInstrumentsNamed(sql, instruments)
  const programmings = await selectProgrammingsOf(sql, instruments)
  const capabilities = new Map(records.map((record) => [record.instrument, record.capabilities]))
  return stationsReached({ stations, assignments, programmings, capabilities }, asked, at)
}
