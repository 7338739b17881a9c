import { decimal, formatDecimal } from '../exact/decimal.ts'
import { inUnit } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { Sql } from '../platform/database/sql.ts'
import { timestamptzText } from '../platform/database/sql.ts'
import { getStation } from '../stations/reads.ts'
import { mismatchAlerts, openLeadAlerts, type SeenRun, verdictAlerts } from './alerts.ts'
import type { StationAlert } from './words.ts'

export interface AlertsAsked {
  /** Tested, or received, at or after; milliseconds since the epoch. */
  readonly from: number
  /** Before. */
  readonly to: number
}

/** More than a station tests in a month; beyond it the earliest are left out, and the answer begins later. */
const ROWS_MAX = 50_000

const READ_READINGS = `
  SELECT * FROM (
    SELECT r.run_id AS "runId", r.serial, r.started_at AS at, r.sequence_number, d.step, d.measurement,
           d.value::text AS value, d.unit, d.open_lead_minimum::text AS "openLeadMinimum"
    FROM intake.runs r JOIN intake.readings d USING (site_id, started_at, run_id)
    WHERE r.site_id = $1 AND r.station = $2 AND r.started_at >= $3 AND r.started_at < $4 AND r.purpose = 'production'
      AND d.open_lead_minimum IS NOT NULL AND d.value IS NOT NULL AND d.termination IN ('completed', 'ended-early')
    ORDER BY r.started_at DESC, r.sequence_number DESC LIMIT ${ROWS_MAX}) latest
  ORDER BY at, sequence_number`

const READ_RUNS = `
  SELECT * FROM (
    SELECT run_id AS "runId", serial, started_at AS at, sequence_number,
           judgement LIKE '%"station-verdict-%' AS differs
    FROM intake.runs
    WHERE site_id = $1 AND station = $2 AND started_at >= $3 AND started_at < $4 AND purpose = 'production'
    ORDER BY started_at DESC, sequence_number DESC LIMIT ${ROWS_MAX}) latest
  ORDER BY at, sequence_number`

const READ_UPLOADS = `
  SELECT * FROM (
    SELECT upload_id AS "runId", serial, received_at AS at,
           codes::jsonb @> '[{"code":"product-plan-mismatch"}]' AS "isMismatch"
    FROM intake.uploads
    WHERE site_id = $1 AND station = $2 AND received_at >= $3 AND received_at < $4
      AND outcome IN ('accepted', 'held', 'rejected')
    ORDER BY received_at DESC, upload_id DESC LIMIT ${ROWS_MAX}) latest
  ORDER BY at, "runId"`

interface ReadingRow extends SeenRun {
  readonly step: string
  readonly measurement: string
  readonly value: string
  readonly unit: UnitCode
  readonly openLeadMinimum: string
}

/**
 * What should make somebody look at a station, the latest first.
 * @throws Problem `station-not-found`
 */
export async function readAlerts(sql: Sql, station: string, { from, to }: AlertsAsked): Promise<StationAlert[]> {
  const { site } = await getStation(sql, station)
  const asked = [site, station, timestamptzText(from), timestamptzText(to)]
  const readings = await sql.query<ReadingRow>(READ_READINGS, asked, 'intake_alert_readings')
  const runs = await sql.query<SeenRun & { differs: boolean }>(READ_RUNS, asked, 'intake_alert_runs')
  const uploads = await sql.query<SeenRun & { isMismatch: boolean }>(READ_UPLOADS, asked, 'intake_alert_uploads')
  const seen = readings.map(({ value, openLeadMinimum, unit, ...reading }) => ({
    ...reading,
    value: decimal(value),
    openLeadMinimum: decimal(openLeadMinimum),
    text: `${formatDecimal(inUnit(decimal(value), unit))} ${unit}`,
  }))
  return [...openLeadAlerts(station, seen), ...verdictAlerts(station, runs), ...mismatchAlerts(station, uploads)].sort(
    (one, other) => (one.until < other.until ? 1 : -1),
  )
}
