import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { DatedPlace, PageAsked } from '../stations/places.ts'
import type { CheckPlanRow, ReferenceUnitRow, StationCheckRow } from './record.ts'

// ------------------------------------------------------------------------------------------------ reference units

const UNIT = `SELECT reference_unit AS "referenceUnit", content, digest, recorded_at AS "recordedAt",
    recorded_by AS "recordedBy", confirmed_at AS "confirmedAt", confirmed_by AS "confirmedBy", meaning,
    withdrawn_at AS "withdrawnAt", withdrawn_by AS "withdrawnBy", reason AS "withdrawalReason"
  FROM governance.reference_unit LEFT JOIN governance.reference_unit_confirmation USING (reference_unit)
  LEFT JOIN governance.reference_unit_withdrawal USING (reference_unit)`

export async function insertReferenceUnit(
  act: Act,
  { referenceUnit, content, digest, recordedBy }: ReferenceUnitRow,
): Promise<void> {
  await act.prisma.referenceUnit.create({
    data: { referenceUnit, content, digest, recordedAt: new Date(act.at), recordedBy },
  })
}

export async function insertUnitConfirmation(
  act: Act,
  signed: { readonly referenceUnit: string; readonly meaning: string; readonly confirmedBy: string },
): Promise<void> {
  await act.prisma.referenceUnitConfirmation.create({ data: { ...signed, confirmedAt: new Date(act.at) } })
}

export async function insertUnitWithdrawal(
  act: Act,
  withdrawn: { readonly referenceUnit: string; readonly reason: string; readonly withdrawnBy: string },
): Promise<void> {
  await act.prisma.referenceUnitWithdrawal.create({ data: { ...withdrawn, withdrawnAt: new Date(act.at) } })
}

export function selectReferenceUnitsNamed(sql: Sql, units: readonly string[]): Promise<ReferenceUnitRow[]> {
  return sql.query<ReferenceUnitRow>(
    `${UNIT} WHERE reference_unit = ANY ($1) ORDER BY reference_unit`,
    [units],
    'checks_units_named',
  )
}

export function selectReferenceUnits(sql: Sql, page: PageAsked<string>): Promise<ReferenceUnitRow[]> {
  return sql.query<ReferenceUnitRow>(
    `${UNIT} WHERE reference_unit > $1 ORDER BY reference_unit LIMIT $2`,
    [page.after ?? '', page.limit],
    'checks_units',
  )
}

// ------------------------------------------------------------------------------------------------ check plans

const PLAN = `SELECT station, number, content, digest, recorded_at AS "recordedAt", recorded_by AS "recordedBy",
    effective_from AS "effectiveFrom", confirmed_at AS "confirmedAt", confirmed_by AS "confirmedBy", meaning
  FROM governance.check_plan LEFT JOIN governance.check_plan_confirmation USING (station, number)`

export async function insertCheckPlan(
  act: Act,
  { station, number, content, digest, recordedBy }: CheckPlanRow,
  { kinds, validForMs }: { readonly kinds: readonly string[]; readonly validForMs: number },
): Promise<void> {
  await act.prisma.checkPlan.create({
    data: { station, number, content, digest, kinds: [...kinds], validForMs, recordedAt: new Date(act.at), recordedBy },
  })
}

export async function insertPlanConfirmation(
  act: Act,
  signed: {
    readonly station: string
    readonly number: number
    readonly effectiveFrom: number
    readonly meaning: string
    readonly confirmedBy: string
  },
): Promise<void> {
  await act.prisma.checkPlanConfirmation.create({
    data: { ...signed, effectiveFrom: new Date(signed.effectiveFrom), confirmedAt: new Date(act.at) },
  })
}

export async function selectCheckPlan(sql: Sql, station: string, number: number): Promise<CheckPlanRow | undefined> {
  const [row] = await sql.query<CheckPlanRow>(
    `${PLAN} WHERE station = $1 AND number = $2`,
    [station, number],
    'checks_plan',
  )
  return row
}

/** The highest number so far; 0 where there is none. */
export async function selectPlanNumber(sql: Sql, station: string): Promise<number> {
  const [row] = await sql.query<{ highest: number | null }>(
    'SELECT max(number) AS highest FROM governance.check_plan WHERE station = $1',
    [station],
    'checks_plan_number',
  )
  return row?.highest ?? 0
}

export function selectCheckPlans(sql: Sql, station: string, page: PageAsked<number>): Promise<CheckPlanRow[]> {
  return sql.query<CheckPlanRow>(
    `${PLAN} WHERE station = $1 AND number > $2 ORDER BY number LIMIT $3`,
    [station, page.after ?? 0, page.limit],
    'checks_plans',
  )
}

// ------------------------------------------------------------------------------------------------ station checks

const CHECK = `SELECT station_check AS "stationCheck", station, instrument, at, results, recorded_at AS "recordedAt",
    recorded_by AS "recordedBy" FROM governance.station_check`

export async function insertStationCheck(
  act: Act,
  { at, results, recordedAt, ...rest }: StationCheckRow,
): Promise<void> {
  await act.prisma.stationCheck.create({
    data: {
      ...rest,
      at: new Date(at),
      results: results.map((result) => ({ ...result })),
      recordedAt: new Date(recordedAt),
    },
  })
}

export async function selectStationCheck(sql: Sql, stationCheck: string): Promise<StationCheckRow | undefined> {
  const [row] = await sql.query<StationCheckRow>(`${CHECK} WHERE station_check = $1`, [stationCheck], 'checks_check')
  return row
}

/** In the order in which they were made, of one station where it is named. */
export function selectStationChecks(
  sql: Sql,
  page: PageAsked<DatedPlace>,
  station: string | undefined,
): Promise<StationCheckRow[]> {
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  return sql.query<StationCheckRow>(
    `${CHECK} WHERE (at, station_check) > ($1::timestamptz, $2) AND ($4::text IS NULL OR station = $4)
     ORDER BY at, station_check LIMIT $3`,
    [timestamptzText(at), key, page.limit, station ?? null],
    'checks_checks',
  )
}
