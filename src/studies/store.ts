import type { Verdict } from '../judging/words.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type {
  AssessmentRecord,
  CountRow,
  FindingPlace,
  FindingRow,
  RunPlace,
  Scope,
  StudyPlace,
  StudyRecord,
} from './record.ts'
import { QuestionWire, type StudyFinding } from './words.ts'

type Stored = Omit<StudyRecord, 'question' | 'scope' | 'cursor'> & {
  readonly question: string
  readonly scope: string
  readonly cursor: string | null
}

const COLUMNS = `study, question, scope, state, failure, total, done, found, cursor, digest,
  recorded_at AS "recordedAt", recorded_by AS "recordedBy", ended_at AS "endedAt"`

function recordOf({ question, scope, cursor, ...rest }: Stored): StudyRecord {
  return {
    ...rest,
    question: QuestionWire.parse(JSON.parse(question)),
    scope: JSON.parse(scope),
    cursor: cursor === null ? null : JSON.parse(cursor),
  }
}

export async function insertStudy(sql: Sql, record: StudyRecord): Promise<void> {
  await sql.query(
    `INSERT INTO governance.study (study, question, scope, state, failure, total, done, found, cursor, digest, recorded_at,
       recorded_by, ended_at) VALUES ($1, $2, $3, $4, NULL, 0, 0, 0, NULL, $5, $6, $7, NULL)`,
    [
      record.study,
      JSON.stringify(record.question),
      JSON.stringify(record.scope),
      record.state,
      record.digest,
      timestamptzText(record.recordedAt),
      record.recordedBy,
    ],
    'studies_insert',
  )
}

/** Those of the keys that there are, in any order. */
export async function selectStudies(sql: Sql, studies: readonly string[]): Promise<StudyRecord[]> {
  const rows = await sql.query<Stored>(
    `SELECT ${COLUMNS} FROM governance.study WHERE study = ANY($1)`,
    [studies],
    'studies_studies',
  )
  return rows.map(recordOf)
}

/** The one asked for last first. One more than `limit` where there are more. */
export async function selectStudiesBefore(
  sql: Sql,
  page: { readonly after: StudyPlace | undefined; readonly limit: number },
): Promise<StudyRecord[]> {
  const [recordedAt, study] = page.after ?? [undefined, '']
  const rows = await sql.query<Stored>(
    `SELECT ${COLUMNS} FROM governance.study
     WHERE $1::timestamptz IS NULL OR (governance.study.recorded_at, study) < ($1, $2)
     ORDER BY governance.study.recorded_at DESC, study DESC LIMIT $3`,
    [recordedAt === undefined ? null : timestamptzText(recordedAt), study, page.limit + 1],
    'studies_before',
  )
  return rows.map(recordOf)
}

/** One study, held against the job until the transaction ends. */
export async function holdStudy(sql: Sql, study: string): Promise<StudyRecord | undefined> {
  const [row] = await sql.query<Stored>(
    `SELECT ${COLUMNS} FROM governance.study WHERE study = $1 FOR UPDATE`,
    [study],
    'studies_hold',
  )
  return row && recordOf(row)
}

/** The one asked for first that is not ended and that no other process has in hand; held until the transaction ends. */
export async function holdWaiting(sql: Sql): Promise<StudyRecord | undefined> {
  const [row] = await sql.query<Stored>(
    `SELECT ${COLUMNS} FROM governance.study WHERE state IN ('queued', 'running')
     ORDER BY recorded_at, study LIMIT 1 FOR UPDATE SKIP LOCKED`,
    [],
    'studies_waiting',
  )
  return row && recordOf(row)
}

/** Whether any waits, without holding it. */
export async function isAnyWaiting(sql: Sql): Promise<boolean> {
  const rows = await sql.query(
    `SELECT FROM governance.study WHERE state IN ('queued', 'running') LIMIT 1`,
    [],
    'studies_any_waiting',
  )
  return rows.length > 0
}

/** Stores how far a study came. */
export async function updateStudy(sql: Sql, record: StudyRecord): Promise<void> {
  await sql.query(
    `UPDATE governance.study SET state = $2, failure = $3, total = $4, done = $5, found = $6, cursor = $7, digest = $8,
       ended_at = $9 WHERE study = $1`,
    [
      record.study,
      record.state,
      record.failure,
      record.total,
      record.done,
      record.found,
      record.cursor && JSON.stringify(record.cursor),
      record.digest,
      record.endedAt === null ? null : timestamptzText(record.endedAt),
    ],
    'studies_update',
  )
}

export async function insertFindings(sql: Sql, study: string, rows: readonly FindingRow[]): Promise<void> {
  if (rows.length === 0) return
  await sql.query(
    `INSERT INTO governance.study_finding (study, ordinal, site, product, ship_state, verdict_before, verdict_after, beyond,
       finding)
     SELECT $1, * FROM unnest($2::int[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::numeric[], $9::text[])`,
    [
      study,
      rows.map(({ finding }) => finding.ordinal),
      rows.map(({ finding }) => finding.site),
      rows.map(({ finding }) => finding.product),
      rows.map(({ finding }) => finding.shipState),
      rows.map(({ finding }) => finding.verdictBefore),
      rows.map(({ finding }) => finding.verdictAfter),
      rows.map(({ beyond }) => beyond),
      rows.map(({ finding }) => JSON.stringify(finding)),
    ],
    'studies_insert_findings',
  )
}

/** Of each study those furthest beyond their limit first. One more than `limit` of each where there are more. */
export async function selectFindingsOf(
  sql: Sql,
  studies: readonly string[],
  page: { readonly after: FindingPlace | undefined; readonly limit: number },
): Promise<(FindingRow & { readonly study: string })[]> {
  const rows = await sql.query<{ study: string; beyond: string; finding: string }>(
    `SELECT f.study, f.beyond::text, f.finding FROM unnest($1::text[]) AS asked (study) CROSS JOIN LATERAL (
       SELECT * FROM governance.study_finding one
       WHERE one.study = asked.study AND ($2::numeric IS NULL OR beyond < $2 OR (beyond = $2 AND ordinal > $3))
       ORDER BY one.beyond DESC, one.ordinal LIMIT $4) f
     ORDER BY f.study, f.beyond DESC, f.ordinal`,
    [studies, page.after?.[0] ?? null, page.after?.[1] ?? 0, page.limit + 1],
    'studies_findings',
  )
  return rows.map(({ study, beyond, finding }) => ({ study, beyond, finding: JSON.parse(finding) as StudyFinding }))
}

/** In the order of site, product, state, verdicts within each study. */
export function selectCounts(sql: Sql, studies: readonly string[]): Promise<CountRow[]> {
  return sql.query<CountRow>(
    `SELECT study, site, product, ship_state AS "shipState", verdict_before AS "verdictBefore",
       verdict_after AS "verdictAfter", count(*) AS count
     FROM governance.study_finding WHERE study = ANY($1) GROUP BY 1, 2, 3, 4, 5, 6 ORDER BY 1, 2, 3, 4, 5, 6`,
    [studies],
    'studies_counts',
  )
}

export async function insertAssessment(sql: Sql, one: AssessmentRecord): Promise<void> {
  await sql.query(
    `INSERT INTO governance.study_assessment (study, digest, conclusion, meaning, recorded_at, recorded_by)
     VALUES ($1, $2, $3, $4, $5, $6)`,
    [one.study, one.digest, one.conclusion, one.meaning, timestamptzText(one.recordedAt), one.recordedBy],
    'studies_insert_assessment',
  )
}

/** Those that were assessed, in any order. */
export function selectAssessments(sql: Sql, studies: readonly string[]): Promise<AssessmentRecord[]> {
  return sql.query<AssessmentRecord>(
    `SELECT study, digest, conclusion, meaning, recorded_at AS "recordedAt", recorded_by AS "recordedBy"
     FROM governance.study_assessment WHERE study = ANY($1)`,
    [studies],
    'studies_assessments',
  )
}

// ------------------------------------------------------------------------------------------------ stored runs

/** A run as a study looks at it: one stored column of the judgement, never the readings. */
export interface AskedRun extends RunPlace {
  readonly receivedAt: number
  readonly station: string
  readonly instrument: string
  readonly calibration: string | null
  readonly product: string
  readonly variant: string
  readonly serial: string
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly verdict: Verdict
  readonly judgement: string
}

/** Only tests of units for sale: a reference unit that must fail is nobody's product. */
const ASKED = `outcome = 'accepted' AND purpose = 'production' AND received_at <= $3
  AND ($4::text IS NULL OR (plan = $4 AND revision = $5)) AND ($6::text IS NULL OR instrument = $6)`

/** The next runs of the window in the order of studies, whoever asked about them, and the place of the last of them. */
const AFTER = `started_at >= $1 AND started_at < $2
  AND ($7::text IS NULL OR (site_id, started_at, run_id) > ($7, $8, $9::uuid))
  ORDER BY site_id, started_at, run_id LIMIT $10`
const LAST =
  '(SELECT site_id, started_at, run_id FROM page ORDER BY site_id DESC, started_at DESC, run_id DESC LIMIT 1)'

function askedValues(scope: Scope): unknown[] {
  return [
    timestamptzText(scope.from),
    timestamptzText(scope.until),
    timestamptzText(scope.receivedBy),
    scope.kind === 'revision-change' ? scope.plan : null,
    scope.kind === 'revision-change' ? scope.revision : null,
    scope.kind === 'calibration-error' ? scope.instrument : null,
  ]
}

/**
 * How many runs are asked about among the next `limit` of the window, and the place to go on from; null at its end. A
 * period of years is counted in as many statements as it needs, each of which costs the same.
 */
export async function countRunsAfter(
  sql: Sql,
  scope: Scope,
  page: { readonly after: RunPlace | null; readonly limit: number },
): Promise<{ readonly count: number; readonly last: RunPlace | null }> {
  const [row] = await sql.query<{ count: number; looked: number } & LastRow>(
    `WITH page AS MATERIALIZED (
       SELECT site_id, started_at, run_id, outcome, purpose, received_at, plan, revision, instrument FROM intake.runs
       WHERE ${AFTER})
     SELECT counted.*, last.site_id AS "lastSite", last.started_at AS "lastStartedAt", last.run_id AS "lastRunId"
     FROM (SELECT count(*) FILTER (WHERE ${ASKED}) AS count, count(*) AS looked FROM page) counted, ${LAST} last`,
    [...askedValues(scope), ...placeValues(page)],
    'studies_count_runs_after',
  )
  if (row === undefined) return { count: 0, last: null }
  return { count: row.count, last: row.looked < page.limit ? null : placeOf(row) }
}

/**
 * The runs asked about among the next `limit` of the window, and the place of the last of these, whoever asked about it:
 * a page costs the same however few of its runs are asked about. Place null: there are no more.
 */
export async function selectRunsAfter(
  sql: Sql,
  scope: Scope,
  page: { readonly after: RunPlace | null; readonly limit: number },
): Promise<{ readonly runs: AskedRun[]; readonly last: RunPlace | null }> {
  const rows = await sql.query<{ [Member in keyof AskedRun]: AskedRun[Member] | null } & LastRow>(
    `WITH page AS MATERIALIZED (
       SELECT * FROM intake.runs WHERE ${AFTER})
     SELECT last.site_id AS "lastSite", last.started_at AS "lastStartedAt", last.run_id AS "lastRunId",
       page.site_id AS site, page.started_at AS "startedAt", page.run_id AS "runId", page.received_at AS "receivedAt",
       page.station, page.instrument, page.calibration, page.product, page.variant, page.serial, page.plan, page.revision,
       page.revision_digest AS "revisionDigest", page.verdict, page.judgement
     FROM ${LAST} last
     LEFT JOIN page ON ${ASKED}
     ORDER BY page.site_id, page.started_at, page.run_id`,
    [...askedValues(scope), ...placeValues(page)],
    'studies_runs_after',
  )
  const [first] = rows
  if (first === undefined) return { runs: [], last: null }
  const isRun = (row: (typeof rows)[number]): row is AskedRun & LastRow => row.runId !== null
  return { runs: rows.filter(isRun), last: placeOf(first) }
}

function placeValues({ after, limit }: { readonly after: RunPlace | null; readonly limit: number }): unknown[] {
  return [after?.site ?? null, after === null ? null : timestamptzText(after.startedAt), after?.runId ?? null, limit]
}

function placeOf({ lastSite, lastStartedAt, lastRunId }: LastRow): RunPlace {
  return { site: lastSite, startedAt: lastStartedAt, runId: lastRunId }
}

interface LastRow {
  readonly lastSite: string
  readonly lastStartedAt: number
  readonly lastRunId: string
}

/** The bytes of runs as they came, by run id. */
export async function selectRaw(
  sql: Sql,
  runs: readonly Pick<AskedRun, 'site' | 'receivedAt' | 'runId'>[],
): Promise<Map<string, Buffer>> {
  if (runs.length === 0) return new Map()
  const rows = await sql.query<{ runId: string; raw: Buffer }>(
    `SELECT upload_id AS "runId", raw FROM intake.uploads
     JOIN unnest($1::text[], $2::timestamptz[], $3::uuid[]) AS given (site_id, received_at, upload_id)
       USING (site_id, received_at, upload_id)`,
    [
      runs.map(({ site }) => site),
      runs.map(({ receivedAt }) => timestamptzText(receivedAt)),
      runs.map(({ runId }) => runId),
    ],
    'studies_raw',
  )
  return new Map(rows.map(({ runId, raw }) => [runId, raw]))
}
