import { NumberText, readJson } from '../exact/json.ts'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { CodeFound, Outcome, StationVerdict, Verdict } from '../judging/words.ts'
import type { Database } from '../platform/database/pool.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { idInstant } from '../platform/ids.ts'
import { Problem } from '../platform/problems.ts'
import { readUnit, readUnits } from '../units/reads.ts'
import { type FoldedAnswer, writeAnswer, writeCode } from './answer.ts'
import type { Answer, ListedUpload } from './answer-words.ts'
import { type Claim, claimOf } from './claim.ts'
import type { InForceNow } from './refused.ts'
import type { JudgementText, StoredJudgement, StoredUpload } from './stored.ts'

interface StoredRow {
  readonly runId: string
  readonly site: string
  readonly sender: string
  readonly station: string | null
  readonly uploadKey: string | null
  readonly outcome: Outcome | 'conflict' | 'unreadable' | 'failed' | 'repeated'
  readonly codes: string
  readonly contentDigest: string | null
  readonly skewMs: number | null
  readonly startedAtUsed: number | null
  readonly product: string | null
  readonly serial: string | null
  readonly judgement: string | null
  readonly raw: Buffer
  /** Of a repeated line of a batch. */
  readonly firstUploadId: string | null
  readonly run: {
    operation: string
    variant: string
    plan: string
    revision: number
    revisionDigest: string
    productVersion: number
    editions: string[]
    decisionRule: string
    calibration: string | null
    verdict: Verdict
    stationVerdict: StationVerdict | null
    judgement: string
  } | null
}

// The id carries the millisecond of receipt, so one partition of uploads is touched; the row points on to that of runs.
const STORED_COLUMNS = `
  SELECT u.upload_id AS "runId", u.site_id AS site, u.sender, u.station, u.upload_key AS "uploadKey", u.outcome, u.codes, u.content_digest AS "contentDigest",
         u.skew_ms AS "skewMs", u.started_at AS "startedAtUsed", u.product, u.serial, u.judgement, u.raw, u.first_upload_id AS "firstUploadId",
         CASE WHEN r.run_id IS NULL THEN NULL ELSE jsonb_build_object(
           'operation', r.operation,
           'variant', r.variant, 'plan', r.plan, 'revision', r.revision, 'revisionDigest', r.revision_digest,
           'productVersion', r.product_version, 'editions', to_jsonb(r.editions), 'decisionRule', r.decision_rule,
           'calibration', r.calibration, 'verdict', r.verdict, 'stationVerdict', r.station_verdict,
           'judgement', r.judgement) END AS run`
const RUN_JOIN = `
  LEFT JOIN intake.runs r ON r.site_id = u.site_id AND r.started_at = u.started_at AND r.run_id = u.upload_id`
const READ_STORED = `${STORED_COLUMNS}
  FROM intake.uploads u ${RUN_JOIN}
  WHERE u.received_at = $1 AND u.upload_id = $2`
const READ_STORED_ALL = `${STORED_COLUMNS}
  FROM unnest($2::timestamptz[], $3::uuid[]) AS given (received_at, upload_id)
  JOIN intake.uploads u ON u.received_at = given.received_at AND u.upload_id = given.upload_id AND u.site_id = $1
  ${RUN_JOIN}`

/** What the rows say of many uploads of one site, by id; those that became no run are left out. */
export async function readStoredAll(
  database: Database,
  site: string,
  uploads: readonly { readonly receivedAt: number; readonly uploadId: string }[],
): Promise<ReadonlyMap<string, StoredUpload>> {
  if (uploads.length === 0) return new Map()
  const unique = new Map(uploads.map((one) => [one.uploadId, one.receivedAt]))
  const rows = await database.sql.query<StoredRow>(
    READ_STORED_ALL,
    [site, [...unique.values()].map(timestamptzText), [...unique.keys()]],
    'intake_read_stored_all',
  )
  return new Map(rows.map((row) => [row.runId, storedOf(row.runId, row)]))
}

// Receipts say between which instants, so partitions outside are not looked at.
const READ_STORED_MANY = `${STORED_COLUMNS}
  FROM intake.uploads u ${RUN_JOIN}
  WHERE u.received_at BETWEEN $3 AND $4
    AND (u.received_at, u.upload_id) IN (SELECT * FROM unnest($1::timestamptz[], $2::uuid[]))`

async function readRow(sql: Sql, runId: string): Promise<StoredRow> {
  const receivedAt = idInstant(runId)
  const [row] =
    receivedAt === undefined
      ? []
      : await sql.query<StoredRow>(READ_STORED, [timestamptzText(receivedAt), runId], 'intake_read_stored')
  if (row === undefined) throw new Problem('run-not-found', { detail: `There is no run ${runId}.` })
  return row
}

function storedOf(runId: string, row: StoredRow): StoredUpload {
  if (!isAnswered(row.outcome)) {
    requireOwn(row, runId)
    throw new Problem('run-not-found', {
      detail: `The upload ${runId} became no run: ${row.outcome}. Its bytes are at /v1/runs/${runId}/raw.`,
    })
  }
  const claim = claimOfRaw(row.raw)
  return {
    runId,
    site: row.site,
    station: row.station,
    uploadKey: row.uploadKey,
    outcome: row.outcome,
    codes: JSON.parse(row.codes) as CodeFound[],
    contentDigest: row.contentDigest ?? '',
    receivedAt: idInstant(runId) ?? 0,
    skewMs: row.skewMs,
    startedAt: claim.startedAt ?? null,
    stationVerdict: claim.stationVerdict ?? null,
    startedAtUsed: row.startedAtUsed,
    product: row.product,
    serial: row.serial,
    judged: judgedOf(row),
  }
}

/** A repeated line has no answer and no bytes of its own. */
function requireOwn({ outcome, firstUploadId }: StoredRow, runId: string): void {
  if (outcome !== 'repeated') return
  throw new Problem('run-not-found', { detail: `The upload ${runId} repeats the upload ${firstUploadId}.` })
}

function judgedOf({ run, judgement }: StoredRow): StoredJudgement | null {
  if (run === null) return judgement === null ? null : (JSON.parse(judgement) as StoredJudgement)
  const { judgement: text, ...rest } = run
  return { ...rest, ...(JSON.parse(text) as JudgementText) }
}

/** What the upload says of itself, from its bytes: no row holds it where the upload became no run. */
function claimOfRaw(raw: Buffer): Partial<Claim> {
  const json = readJson(raw)
  if (!json.ok || typeof json.value !== 'object' || json.value === null || Array.isArray(json.value)) return {}
  return json.value instanceof NumberText ? {} : claimOf(json.value)
}

/** A person with a role sees all; a machine key what it sent itself, and what its own stations did. */
export type Viewer =
  | { readonly kind: 'person' }
  | {
      readonly kind: 'station' | 'gateway'
      readonly key: string
      readonly site: string
      readonly stations: readonly string[]
    }

function requireVisible(row: StoredRow, runId: string, viewer: Viewer): void {
  if (viewer.kind === 'person' || row.sender === viewer.key) return
  // Not 403: whether the run of another station exists is none of its business.
  if (row.site !== viewer.site || row.station === null || !viewer.stations.includes(row.station)) {
    throw new Problem('run-not-found', { detail: `There is no run ${runId}.` })
  }
}

/**
 * The answer to an upload as it is now: outcome, verdict and codes as stored, standing, evidence and release folded anew.
 * @throws Problem `run-not-found`
 */
export async function readAnswer(database: Database, runId: string, viewer: Viewer, repeated = false): Promise<Answer> {
  const row = await readRow(database.sql, runId)
  requireVisible(row, runId, viewer)
  const stored = storedOf(runId, row)
  return writeAnswer(stored, await readFolded(database, stored), repeated)
}

/**
 * The answers to uploads as they are now, by run, each in as many statements as for one; without those that are not
 * there or became no run. For persons with a role, who may see all.
 */
export async function readAnswers(database: Database, runIds: readonly string[]): Promise<ReadonlyMap<string, Answer>> {
  const rows = await readByIds<StoredRow & { readonly runId: string }>(
    database,
    runIds,
    READ_STORED_MANY,
    'intake_read_stored_many',
  )
  const stored = rows.filter(({ outcome }) => isAnswered(outcome)).map((row) => storedOf(row.runId, row))
  const folded = await readFoldedMany(database, stored)
  return new Map(stored.map((one) => [one.runId, writeAnswer(one, folded.get(one.runId) ?? null, false)]))
}

function isAnswered(outcome: StoredRow['outcome']): outcome is Outcome {
  return outcome === 'accepted' || outcome === 'held' || outcome === 'rejected'
}

async function readFoldedMany(
  database: Database,
  stored: readonly StoredUpload[],
): Promise<ReadonlyMap<string, FoldedAnswer>> {
  const named = stored.flatMap(({ runId, outcome, product, serial }) =>
    outcome === 'rejected' || product === null || serial === null ? [] : [{ runId, product, serial }],
  )
  const units = named.length === 0 ? [] : await readUnits(database, named)
  const folded = new Map<string, FoldedAnswer>()
  for (const [index, { runId }] of named.entries()) {
    const unit = units[index]
    if (unit === undefined || unit instanceof Problem) continue
    const attempt = unit.folded.attempts.find((one) => one.attempt.runId === runId)
    if (attempt !== undefined) folded.set(runId, { attempt, release: unit.folded.release })
  }
  return folded
}

/** Rows of the uploads with these ids; a text that is no id of ours finds none. */
async function readByIds<Row extends object>(
  database: Database,
  runIds: readonly string[],
  text: string,
  name: string,
): Promise<Row[]> {
  const places = runIds.flatMap((runId) => {
    const at = idInstant(runId)
    return at === undefined ? [] : [{ runId, at }]
  })
  if (places.length === 0) return []
  const instants = places.map(({ at }) => at)
  return await database.sql.query<Row>(
    text,
    [
      instants.map(timestamptzText),
      places.map(({ runId }) => runId),
      timestamptzText(Math.min(...instants)),
      timestamptzText(Math.max(...instants)),
    ],
    name,
  )
}

async function readFolded(database: Database, stored: StoredUpload): Promise<FoldedAnswer | null> {
  if (stored.outcome === 'rejected' || stored.product === null || stored.serial === null) return null
  const { folded } = await readUnit(database, { product: stored.product, serial: stored.serial })
  const attempt = folded.attempts.find((one) => one.attempt.runId === stored.runId)
  return attempt === undefined ? null : { attempt, release: folded.release }
}

/**
 * The bytes of an upload exactly as they came.
 * @throws Problem `run-not-found`
 */
export async function readRaw(database: Database, runId: string, viewer: Viewer): Promise<Buffer> {
  const row = await readRow(database.sql, runId)
  requireVisible(row, runId, viewer)
  requireOwn(row, runId)
  return row.raw
}

/** A run as its rows have it, with the bytes that it came in. */
export interface StoredRun {
  readonly site: string
  readonly stored: StoredUpload
  readonly raw: Buffer
  readonly instrument: string | null
}

/** @throws Problem `run-not-found` */
export async function readStoredRun(sql: Sql, runId: string): Promise<StoredRun> {
  const row = await readRow(sql, runId)
  const stored = storedOf(runId, row)
  return { site: row.site, stored, raw: row.raw, instrument: claimOfRaw(row.raw).instrument ?? null }
}

const READ_IN_FORCE = `
  SELECT f.variant, f.plan, f.revision, r.digest AS "revisionDigest"
  FROM governance.plan p
  JOIN governance.in_force f ON f.product = p.product AND f.operation = p.operation AND f.site = $2
   AND f.from_at <= $3 AND (f.until_at IS NULL OR f.until_at > $3)
  JOIN governance.plan_revision r ON r.plan = f.plan AND r.revision = f.revision
  WHERE p.plan = $1 ORDER BY f.variant`

/** What a station that cited another revision of this plan should have used: named in the refusal. */
export async function readInForceNow(
  database: Database,
  { plan, site, at }: { readonly plan: string; readonly site: string; readonly at: number },
): Promise<InForceNow[]> {
  return await database.sql.query<InForceNow>(READ_IN_FORCE, [plan, site, timestamptzText(at)], 'intake_in_force_now')
}

export interface UploadsAsked {
  readonly outcome?: string | undefined
  readonly site?: string | undefined
  readonly station?: string | undefined
  readonly product?: string | undefined
  readonly serial?: string | undefined
  readonly code?: string | undefined
  /** Received at or after; milliseconds since the epoch. */
  readonly from: number
  /** Received before. */
  readonly to: number
  readonly limit: number
  /** The place after which the page begins: receipt and id of the last one shown. */
  readonly after: readonly [number, string] | undefined
}

interface ListedRow
  extends Omit<StoredRow, 'run' | 'judgement' | 'raw' | 'contentDigest' | 'skewMs' | 'firstUploadId'> {
  readonly runId: string
  readonly sender: string
  readonly batchId: string | null
  readonly line: number | null
  readonly status: number
  readonly plan: string | null
  readonly revision: number | null
  readonly receivedAt: number
  readonly verdict: Verdict | null
}

const LISTED = `
  SELECT u.upload_id AS "runId", u.site_id AS site, u.station, u.upload_key AS "uploadKey", u.sender,
         u.batch_id AS "batchId", u.line, u.outcome, u.status, u.codes, u.product, u.serial, u.plan, u.revision,
         u.received_at AS "receivedAt", u.started_at AS "startedAtUsed", r.verdict
  FROM intake.uploads u
  LEFT JOIN intake.runs r ON r.site_id = u.site_id AND r.started_at = u.started_at AND r.run_id = u.upload_id`

const LIST_UPLOADS = `${LISTED}
  WHERE u.received_at >= $1 AND u.received_at < $2
    AND ($3::text IS NULL OR u.outcome = $3) AND ($4::text IS NULL OR u.site_id = $4)
    AND ($5::text IS NULL OR u.station = $5) AND ($6::text IS NULL OR u.product = $6)
    AND ($7::text IS NULL OR u.serial = $7)
    AND ($8::text IS NULL OR u.codes::jsonb @> jsonb_build_array(jsonb_build_object('code', $8::text)))
    AND ($9::timestamptz IS NULL OR (u.received_at, u.upload_id) < ($9::timestamptz, $10::uuid))
  ORDER BY u.received_at DESC, u.upload_id DESC LIMIT $11`

/** Uploads, the latest received first; one more than `limit` where there are more. */
export async function listUploads(database: Database, asked: UploadsAsked): Promise<ListedUpload[]> {
  const [at, id] = asked.after ?? []
  const rows = await database.sql.query<ListedRow>(
    LIST_UPLOADS,
    [
      timestamptzText(asked.from),
      timestamptzText(asked.to),
      asked.outcome ?? null,
      asked.site ?? null,
      asked.station ?? null,
      asked.product ?? null,
      asked.serial ?? null,
      asked.code ?? null,
      at === undefined ? null : timestamptzText(at),
      id ?? null,
      asked.limit + 1,
    ],
    'intake_list_uploads',
  )
  return rows.map(writeListed)
}

/** Uploads as the list shows them, by their ids, in no order; those that are not there are left out. */
export async function readUploads(database: Database, runIds: readonly string[]): Promise<ListedUpload[]> {
  const text = `${LISTED} WHERE u.received_at BETWEEN $3 AND $4
    AND (u.received_at, u.upload_id) IN (SELECT * FROM unnest($1::timestamptz[], $2::uuid[]))`
  return (await readByIds<ListedRow>(database, runIds, text, 'intake_uploads_named')).map(writeListed)
}

function writeListed({ codes, receivedAt, startedAtUsed, ...row }: ListedRow): ListedUpload {
  return {
    ...row,
    codes: (JSON.parse(codes) as CodeFound[]).map(writeCode),
    receivedAt: writeInstant(receivedAt),
    startedAtUsed: writeInstantOrNull(startedAtUsed),
  }
}
