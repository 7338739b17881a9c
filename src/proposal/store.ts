import { decimal } from '../exact/decimal.ts'
import type { Relation } from '../exact/quantity.ts'
import type { Sql } from '../platform/database/sql.ts'
import type { StepKind } from '../rules/words.ts'
import type { StoredReading } from './building.ts'

/** Runs looked at of each site, the latest first, whatever their product: an answer costs the same after years. */
const RUNS_SEEN = 20_000
/** Units whose latest pass is taken: enough to observe a quantile of 0.135 %. */
const UNITS_MAX = 2_000
const READINGS_MAX = 100_000

export interface ReadingsAsked {
  readonly product: string
  readonly operation: string
  /** '' for a product without variants. */
  readonly variants: readonly string[]
  /** Every site where left out. */
  readonly site: string | undefined
}

interface ReadingRow {
  readonly step: string
  readonly measurement: string
  readonly kind: StepKind
  readonly variant: string
  readonly detector: string | null
  readonly value: string
  readonly relation: Relation | null
  readonly testVoltage: string | null
  readonly testCurrent: string | null
}

/**
 * Readings of accepted production runs that passed, one run of each unit, the latest. What was corrected since is left out:
 * its number here is not the one it is now.
 */
export async function selectReadings(sql: Sql, asked: ReadingsAsked): Promise<StoredReading[]> {
  const rows = await sql.query<ReadingRow>(
    `WITH seen AS MATERIALIZED (
       SELECT run.* FROM governance.site s CROSS JOIN LATERAL (
         SELECT site_id, started_at, run_id, product, variant, serial, operation, outcome, purpose, verdict
         FROM intake.runs WHERE site_id = s.site ORDER BY started_at DESC LIMIT ${RUNS_SEEN}) run
       WHERE $4::text IS NULL OR s.site = $4
     ), units AS (
       SELECT DISTINCT ON (serial) site_id, started_at, run_id, variant FROM seen
       WHERE product = $1 AND operation = $2 AND variant = ANY($3) AND outcome = 'accepted' AND purpose = 'production'
         AND verdict = 'pass'
         AND NOT EXISTS (SELECT FROM intake.corrections c WHERE c.site_id = seen.site_id AND c.run_id = seen.run_id)
       ORDER BY serial, started_at DESC
     ), latest AS (
       SELECT * FROM units ORDER BY started_at DESC LIMIT ${UNITS_MAX}
     )
     SELECT d.step, d.measurement, d.kind, latest.variant, d.detector, d.judged::text AS value, d.relation,
       d.test_voltage::text AS "testVoltage", d.test_current::text AS "testCurrent"
     FROM latest JOIN intake.readings d USING (site_id, started_at, run_id)
     WHERE d.judged IS NOT NULL AND d.verdict = 'pass'
     ORDER BY latest.started_at DESC, latest.run_id LIMIT ${READINGS_MAX}`,
    [asked.product, asked.operation, asked.variants, asked.site ?? null],
    'proposal_readings',
  )
  return rows.map(({ value, relation, testVoltage, testCurrent, ...rest }) => ({
    ...rest,
    value: decimal(value),
    relation: relation ?? '=',
    testVoltage: testVoltage === null ? null : decimal(testVoltage),
    testCurrent: testCurrent === null ? null : decimal(testCurrent),
  }))
}
