import { writeInstant } from '../exact/time.ts'
import { kindsOf } from '../judging/run-support.ts'
import { getRevision } from '../plans/reads.ts'
import type { RevisionKey } from '../plans/record.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { type DoubtedWindow, doubtedWindows } from '../station-checks/affected.ts'
import { getStationCheck } from '../station-checks/reads.ts'
import { getStation } from '../stations/reads.ts'
import { readStationChecks } from '../stations/reads-checks.ts'
import type { AffectedCounts, AffectedRun } from './affected-words.ts'
import { type ShipState, shipStates } from './event-words.ts'

/** What was put in doubt: accepted production runs, as a query over `affected` with its values. */
export interface Doubt {
  /** Of the statements: one name stands for one text. */
  readonly name: string
  /** Common table expressions; the last is `affected` (run_id, product, serial, started_at, instrument, verdict, kinds). */
  readonly affected: string
  readonly values: readonly unknown[]
}

/**
 * What a failed check put in doubt.
 * @throws Problem `station-check-not-found`
 */
export async function readDoubt(sql: Sql, stationCheck: string): Promise<Doubt> {
  const { station } = await getStationCheck(sql, stationCheck)
  const { site } = await getStation(sql, station)
  const checks = (await readStationChecks(sql, [station])).get(station)?.checks ?? []
  const failed = checks.find((one) => one.stationCheck === stationCheck)
  const placed = await sql.query<{ instrument: string }>(
    'SELECT DISTINCT instrument FROM governance.instrument_assignment WHERE station = $1 ORDER BY instrument',
    [station],
    'units_instruments_placed',
  )
  const instruments = placed.map(({ instrument }) => instrument)
  const windows = failed === undefined ? [] : doubtedWindows(failed, checks, instruments)
  return { name: 'check', affected: OF_CHECK, values: [site, station, ...windowValues(windows)] }
}

/**
 * What a withdrawal put in doubt: what was tested with the revision since the instant from which it is withdrawn; nothing
 * where it is not.
 * @throws Problem `revision-not-found`
 */
export async function readWithdrawalDoubt(sql: Sql, key: RevisionKey): Promise<Doubt> {
  const { content, inForce, withdrawnFrom } = await getRevision(sql, key)
  const from = withdrawnFrom === null ? Number.POSITIVE_INFINITY : Date.parse(withdrawnFrom)
  const sites = [...new Set(inForce.map(({ site }) => site))]
  const kinds = kindsOf(content).sort()
  return {
    name: 'withdrawal',
    affected: OF_REVISION,
    values: [key.plan, key.revision, timestamptzText(from), sites, kinds],
  }
}

export type AffectedPlace = readonly [startedAt: number, runId: string]

const OF_CHECK = `
  doubted AS (
    SELECT * FROM unnest($3::text[], $4::text[], $5::timestamptz[], $6::timestamptz[]) AS d (kind, instrument, from_at, until_at)),
  affected AS (
    SELECT r.run_id, r.product, r.serial, r.started_at, r.instrument, r.verdict, array_agg(d.kind ORDER BY d.kind) AS kinds
    FROM intake.runs r
    JOIN doubted d ON d.instrument = r.instrument AND r.started_at >= d.from_at AND r.started_at < d.until_at
    JOIN governance.plan_revision p ON p.plan = r.plan AND p.revision = r.revision
    WHERE r.site_id = $1 AND r.station = $2 AND r.outcome = 'accepted' AND r.purpose = 'production'
      AND r.started_at >= $7 AND r.started_at < $8
      AND EXISTS (SELECT FROM jsonb_array_elements(p.content::jsonb -> 'steps') step WHERE step ->> 'kind' = d.kind)
    GROUP BY r.run_id, r.product, r.serial, r.started_at, r.instrument, r.verdict)`

// Sites first, as keys of runs begin with them.
const OF_REVISION = `
  affected AS (
    SELECT r.run_id, r.product, r.serial, r.started_at, r.instrument, r.verdict, $5::text[] AS kinds
    FROM intake.runs r
    WHERE r.site_id = ANY ($4) AND r.started_at >= $3 AND r.plan = $1 AND r.revision = $2
      AND r.outcome = 'accepted' AND r.purpose = 'production')`

// Where a unit is: `shipStateAt` of events.ts in SQL, for many units at once; a test compares them.
const PLACED = `
  placed AS (
    SELECT affected.*, coalesce(last.event, 'in-plant') AS ship_state
    FROM affected LEFT JOIN LATERAL (
      SELECT CASE e.event WHEN 'reworked' THEN 'in-plant' ELSE e.event END AS event
      FROM intake.unit_events e
      WHERE e.product = affected.product AND e.serial = affected.serial AND e.event <> 'opened'
      ORDER BY e.at DESC, e.recorded_at DESC, e.event_id DESC LIMIT 1) last ON true)`

/** How many there are, and where their units are. */
export async function countAffected(sql: Sql, { name, affected, values }: Doubt): Promise<AffectedCounts> {
  const rows = await sql.query<{ shipState: ShipState; runs: number; units: number }>(
    `WITH ${affected}, ${PLACED}
     SELECT ship_state AS "shipState", count(*)::int AS runs, count(DISTINCT (product, serial))::int AS units
     FROM placed GROUP BY ship_state`,
    values,
    `units_count_affected_${name}`,
  )
  const sum = (member: 'runs' | 'units') => rows.reduce((all, row) => all + row[member], 0)
  const unitsIn = (state: ShipState) => rows.find(({ shipState }) => shipState === state)?.units ?? 0
  return {
    runs: sum('runs'),
    units: sum('units'),
    unitsByShipState: Object.fromEntries(
      shipStates.map((state) => [state, unitsIn(state)]),
    ) as AffectedCounts['unitsByShipState'],
  }
}

/** In the order of tests, of one ship state where it is named; one more than the limit where there are more. */
export async function listAffected(
  sql: Sql,
  { name, affected, values }: Doubt,
  page: {
    readonly after: AffectedPlace | undefined
    readonly limit: number
    readonly shipState: ShipState | undefined
  },
): Promise<AffectedRun[]> {
  const [at, runId] = page.after ?? [Number.NEGATIVE_INFINITY, '00000000-0000-0000-0000-000000000000']
  const asked = (index: number) => `$${values.length + index}`
  const rows = await sql.query<Omit<AffectedRun, 'startedAt'> & { readonly startedAt: number }>(
    `WITH ${affected}, ${PLACED}
     SELECT run_id AS "runId", product, serial, started_at AS "startedAt", instrument, verdict, kinds,
       ship_state AS "shipState"
     FROM placed WHERE (started_at, run_id) > (${asked(1)}::timestamptz, ${asked(2)}::uuid)
       AND (${asked(3)}::text IS NULL OR ship_state = ${asked(3)})
     ORDER BY started_at, run_id LIMIT ${asked(4)}`,
    [...values, timestamptzText(at), runId, page.shipState ?? null, page.limit + 1],
    `units_list_affected_${name}`,
  )
  return rows.map((row) => ({ ...row, startedAt: writeInstant(row.startedAt) }))
}

function windowValues(windows: readonly DoubtedWindow[]): unknown[] {
  const froms = windows.map(({ from }) => from ?? Number.NEGATIVE_INFINITY)
  const untils = windows.map(({ until }) => until ?? Number.POSITIVE_INFINITY)
  return [
    windows.map(({ kind }) => kind),
    windows.map(({ instrument }) => instrument),
    froms.map(timestamptzText),
    untils.map(timestamptzText),
    timestamptzText(Math.min(Number.POSITIVE_INFINITY, ...froms)),
    timestamptzText(Math.max(Number.NEGATIVE_INFINITY, ...untils)),
  ]
}
