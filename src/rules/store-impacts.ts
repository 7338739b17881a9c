import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { ImpactRecord, ImpactState } from './impacts.ts'
import type { EditionKey } from './record.ts'

const COLUMNS = `impact, rule_table AS "table", edition, digest, effective_from AS "effectiveFrom",
  binds_because AS "bindsBecause", rules_version AS "rulesVersion", state, failure, study,
  revisions_total AS "revisionsTotal", revisions_checked AS "revisionsChecked", revisions_blocked AS "revisionsBlocked",
  revisions_unapprovable AS "revisionsUnapprovable", revisions_uncheckable AS "revisionsUncheckable",
  permits_beyond AS "permitsBeyond", runs_affected AS "runsAffected", cursor_plan AS "cursorPlan",
  cursor_revision AS "cursorRevision", asked_at AS "askedAt", asked_by AS "askedBy", ended_at AS "endedAt"`

/** Stores an impact of which nothing is worked out yet. */
export async function insertImpact(sql: Sql, record: ImpactRecord): Promise<void> {
  const { effectiveFrom } = record
  await sql.query(
    `INSERT INTO governance.edition_impact (impact, rule_table, edition, digest, effective_from, binds_because,
       rules_version, state, study, revisions_total, asked_at, asked_by, revisions_checked, revisions_blocked,
       revisions_unapprovable, revisions_uncheckable, permits_beyond)
     VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, 0, 0, 0, 0, 0)`,
    [
      record.impact,
      record.table,
      record.edition,
      record.digest,
      effectiveFrom === null ? null : timestamptzText(effectiveFrom),
      record.bindsBecause,
      record.rulesVersion,
      record.state,
      record.study,
      record.revisionsTotal,
      timestamptzText(record.askedAt),
      record.askedBy,
    ],
    'rules_insert_impact',
  )
}

/** Stores how far an impact came, and its figures. */
export async function updateImpact(sql: Sql, record: ImpactRecord): Promise<void> {
  await sql.query(
    `UPDATE governance.edition_impact SET state = $2, failure = $3, revisions_checked = $4, revisions_blocked = $5,
       revisions_unapprovable = $6, revisions_uncheckable = $7, permits_beyond = $8, runs_affected = $9,
       cursor_plan = $10, cursor_revision = $11, ended_at = $12 WHERE impact = $1`,
    [
      record.impact,
      record.state,
      record.failure,
      record.revisionsChecked,
      record.revisionsBlocked,
      record.revisionsUnapprovable,
      record.revisionsUncheckable,
      record.permitsBeyond,
      record.runsAffected,
      record.cursorPlan,
      record.cursorRevision,
      record.endedAt === null ? null : timestamptzText(record.endedAt),
    ],
    'rules_update_impact',
  )
}

/** Those of the keys that there are, in any order. */
export function selectImpacts(sql: Sql, impacts: readonly string[]): Promise<ImpactRecord[]> {
  return sql.query<ImpactRecord>(
    `SELECT ${COLUMNS} FROM governance.edition_impact WHERE impact = ANY ($1)`,
    [impacts],
    'rules_impacts',
  )
}

/** Those in one of these states, the one asked for first first. */
export function selectImpactsIn(sql: Sql, states: readonly ImpactState[], limit: number): Promise<ImpactRecord[]> {
  return sql.query<ImpactRecord>(
    `SELECT ${COLUMNS} FROM governance.edition_impact
     WHERE state IN ('checking', 'studying') AND state = ANY ($1) ORDER BY asked_at, impact LIMIT $2`,
    [states, limit],
    'rules_impacts_in',
  )
}

/** The one named, or the one asked for first, that nobody else has in hand: held until the transaction ends. */
export async function holdImpact(
  sql: Sql,
  asked: { readonly state: ImpactState; readonly impact?: string | undefined },
): Promise<ImpactRecord | undefined> {
  const [row] = await sql.query<ImpactRecord>(
    `SELECT ${COLUMNS} FROM governance.edition_impact WHERE state IN ('checking', 'studying') AND state = $1
       AND ($2::text IS NULL OR impact = $2)
     ORDER BY asked_at, impact LIMIT 1 FOR UPDATE SKIP LOCKED`,
    [asked.state, asked.impact ?? null],
    'rules_hold_impact',
  )
  return row
}

/** The one asked for last of this content; undefined where none was. */
export async function selectNewestImpact(
  sql: Sql,
  { table, edition, digest }: EditionKey & { readonly digest: string },
): Promise<ImpactRecord | undefined> {
  const [row] = await sql.query<ImpactRecord>(
    `SELECT ${COLUMNS} FROM governance.edition_impact WHERE rule_table = $1 AND edition = $2 AND digest = $3
     ORDER BY asked_at DESC, impact DESC LIMIT 1`,
    [table, edition, digest],
    'rules_newest_impact',
  )
  return row
}
