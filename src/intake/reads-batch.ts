import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { Database } from '../platform/database/pool.ts'
import { timestamptzText } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import type { FoldedUnit } from '../units/fold.ts'
import { readUnits, unitKey } from '../units/reads.ts'
import type { UnitName } from '../units/words.ts'
import { writeAnswer } from './answer.ts'
import type { ListedUpload } from './answer-words.ts'
import type { Batch, BatchReason } from './batch-words.ts'
import { readInForceNow, readStoredAll, type Viewer } from './reads.ts'
import {
  conflictProblem,
  failedProblem,
  type InForceNow,
  incompleteProblem,
  planToName,
  unreadableProblem,
  writeLine,
} from './refused.ts'
import type { BatchRow } from './store-batch.ts'
import type { LineFault, StoredUpload } from './stored.ts'

interface BatchRead extends BatchRow {
  readonly endedAt: number | null
  readonly lines: number | null
  readonly reason: BatchReason | null
  readonly detail: string | null
}

const UUID = /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/

/**
 * A batch, for its sender and for any person with a role.
 * @throws Problem `batch-not-found`
 */
export async function findBatch(database: Database, batchId: string, viewer: Viewer): Promise<BatchRead> {
  const [row] = !UUID.test(batchId)
    ? []
    : await database.sql.query<BatchRead>(
        `SELECT b.site_id AS site, b.batch_id AS "batchId", b.received_at AS "receivedAt", b.sender,
                e.ended_at AS "endedAt", e.lines, e.reason, e.detail
         FROM intake.batches b LEFT JOIN intake.batch_ends e USING (site_id, batch_id) WHERE b.batch_id = $1`,
        [batchId],
        'intake_find_batch',
      )
  // Not 403: whether another sender's batch exists is none of its business.
  if (row === undefined || (viewer.kind !== 'person' && viewer.key !== row.sender)) {
    throw new Problem('batch-not-found', { detail: `There is no batch ${batchId}.` })
  }
  return row
}

/** @throws Problem `batch-not-found` */
export async function readBatch(database: Database, batchId: string, viewer: Viewer): Promise<Batch> {
  const batch = await findBatch(database, batchId, viewer)
  const rows = await database.sql.query<{ outcome: ListedUpload['outcome']; count: number }>(
    `SELECT outcome, count(*) AS count FROM intake.uploads
     WHERE site_id = $1 AND batch_id = $2 AND received_at >= $3 GROUP BY outcome`,
    [batch.site, batchId, timestamptzText(batch.receivedAt)],
    'intake_count_batch',
  )
  const counts = { accepted: 0, held: 0, rejected: 0, conflict: 0, unreadable: 0, failed: 0, repeated: 0 }
  for (const { outcome, count } of rows) counts[outcome] = count
  return {
    batchId,
    site: batch.site,
    sender: batch.sender,
    receivedAt: writeInstant(batch.receivedAt),
    endedAt: writeInstantOrNull(batch.endedAt),
    complete: batch.reason === 'complete',
    reason: batch.reason,
    detail: batch.detail,
    lines: rows.reduce((sum, { count }) => sum + count, 0),
    counts,
  }
}

interface LineRow {
  readonly line: number
  readonly uploadId: string
  readonly receivedAt: number
  readonly outcome: ListedUpload['outcome']
  readonly station: string | null
  readonly uploadKey: string | null
  readonly contentDigest: string | null
  readonly fault: string | null
  readonly firstUploadId: string | null
  readonly firstReceivedAt: number | null
}

// The lower bound leaves the months before the batch alone.
const READ_LINES = `
  SELECT line, upload_id AS "uploadId", received_at AS "receivedAt", outcome, station, upload_key AS "uploadKey",
         content_digest AS "contentDigest", fault, first_upload_id AS "firstUploadId",
         first_received_at AS "firstReceivedAt"
  FROM intake.uploads WHERE site_id = $1 AND batch_id = $2 AND received_at >= $3 AND line > $4
  ORDER BY line LIMIT $5`

/** Lines answered from one read: their answers are about a megabyte. */
const PAGE_LINES = 200

/**
 * The answers to the lines of a batch after a line, in order, as text of NDJSON, a page at a time; a last line says why a
 * batch is not complete.
 */
export async function* readLineAnswers(
  database: Database,
  batch: BatchRow,
  after: number,
  now: () => number,
): AsyncGenerator<string> {
  for (let last = after; ; ) {
    const rows = await database.sql.query<LineRow>(
      READ_LINES,
      [batch.site, batch.batchId, timestamptzText(batch.receivedAt), last, PAGE_LINES],
      'intake_read_lines',
    )
    if (rows.length > 0) yield await writePage(database, batch.site, rows, now())
    last = rows.at(-1)?.line ?? last
    if (rows.length < PAGE_LINES) break
  }
  const { reason, detail, lines } = await findBatch(database, batch.batchId, { kind: 'person' })
  if (reason === 'complete') return
  const end = reason === null ? undefined : { reason, detail, lines: lines ?? 0 }
  yield `${JSON.stringify(incompleteProblem(batch.batchId, end))}\n`
}

/** The histories of the units that these uploads are about, each once, by `unitKey`. */
async function readFolds(
  database: Database,
  stored: readonly StoredUpload[],
): Promise<ReadonlyMap<string, FoldedUnit>> {
  const names = new Map<string, UnitName>()
  for (const { product, serial, outcome } of stored) {
    if (outcome === 'rejected' || product === null || serial === null) continue
    names.set(unitKey({ product, serial }), { product, serial })
  }
  const units = names.size === 0 ? [] : await readUnits(database, [...names.values()])
  return new Map(units.flatMap((unit) => (unit instanceof Problem ? [] : [[unitKey(unit), unit.folded]])))
}

async function writePage(database: Database, site: string, rows: readonly LineRow[], at: number): Promise<string> {
  const stored = await readStoredAll(
    database,
    site,
    rows.flatMap(({ outcome, uploadId, receivedAt, firstUploadId, firstReceivedAt }) =>
      outcome === 'accepted' || outcome === 'held' || outcome === 'rejected'
        ? [{ uploadId, receivedAt }]
        : outcome === 'repeated' && firstUploadId !== null && firstReceivedAt !== null
          ? [{ uploadId: firstUploadId, receivedAt: firstReceivedAt }]
          : [],
    ),
  )
  const folds = await readFolds(database, [...stored.values()])
  const firsts = await readFirsts(database, site, rows)
  const inForce = new Map<string, Promise<InForceNow[]>>()
  const foldOf = ({ product, serial, runId }: StoredUpload) => {
    const unit = product === null || serial === null ? undefined : folds.get(unitKey({ product, serial }))
    const attempt = unit?.attempts.find((one) => one.attempt.runId === runId)
    return unit === undefined || attempt === undefined ? null : { attempt, release: unit.release }
  }
  const lines: string[] = []
  for (const row of rows) {
    lines.push(JSON.stringify(writeLine(row.line, await sayOf(row))))
  }
  return `${lines.join('\n')}\n`

  async function sayOf(row: LineRow): Promise<Parameters<typeof writeLine>[1]> {
    switch (row.outcome) {
      case 'unreadable':
        return unreadableProblem(JSON.parse(row.fault ?? '{}') as LineFault, row.uploadId)
      case 'failed':
        return failedProblem(row.uploadId)
      case 'conflict': {
        const first = firsts.get(`${row.station}\n${row.uploadKey}`)
        if (first === undefined) throw new Error(`the conflict ${row.uploadId} has no first upload`)
        return conflictProblem(row.contentDigest, first)
      }
      default: {
        const one = stored.get(row.firstUploadId ?? row.uploadId)
        if (one === undefined) throw new Error(`the upload of line ${row.line}, ${row.uploadId}, is gone`)
        const answer = writeAnswer(one, one.outcome === 'rejected' ? null : foldOf(one), row.outcome === 'repeated')
        const plan = one.outcome === 'rejected' ? planToName(answer) : undefined
        return { answer, inForce: plan === undefined ? undefined : await inForceOf(plan) }
      }
    }
  }

  function inForceOf(plan: string): Promise<InForceNow[]> {
    const known = inForce.get(plan) ?? readInForceNow(database, { plan, site, at })
    inForce.set(plan, known)
    return known
  }
}

interface FirstRow {
  readonly station: string
  readonly uploadKey: string
  readonly digest: string
  readonly uploadId: string
  readonly receivedAt: number
}

/** What stands under the keys of conflicting lines. */
async function readFirsts(
  database: Database,
  site: string,
  rows: readonly LineRow[],
): Promise<ReadonlyMap<string, FirstRow>> {
  const conflicts = rows.filter(({ outcome }) => outcome === 'conflict')
  if (conflicts.length === 0) return new Map()
  const firsts = await database.sql.query<FirstRow>(
    `SELECT k.station, k.upload_key AS "uploadKey", k.digest, k.upload_id AS "uploadId", k.received_at AS "receivedAt"
     FROM intake.upload_keys k JOIN unnest($2::text[], $3::text[]) AS given (station, upload_key) USING (station, upload_key)
     WHERE k.site_id = $1`,
    [site, conflicts.map(({ station }) => station), conflicts.map(({ uploadKey }) => uploadKey)],
    'intake_read_firsts',
  )
  return new Map(firsts.map((first) => [`${first.station}\n${first.uploadKey}`, first]))
}
