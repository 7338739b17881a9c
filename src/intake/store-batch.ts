import type { Database } from '../platform/database/pool.ts'
import { timestamptzText } from '../platform/database/sql.ts'
import type { BatchReason } from './batch-words.ts'

/** A batch as its first row tells it. */
export interface BatchRow {
  readonly site: string
  readonly batchId: string
  readonly receivedAt: number
  readonly sender: string
}

export interface BatchEndRow {
  readonly endedAt: number
  /** Lines that were read, whatever became of them. */
  readonly lines: number
  readonly reason: BatchReason
  readonly detail: string | null
}

export async function insertBatch(database: Database, batch: BatchRow): Promise<void> {
  await database.sql.query(
    'INSERT INTO intake.batches (site_id, batch_id, received_at, sender) VALUES ($1, $2, $3, $4)',
    [batch.site, batch.batchId, timestamptzText(batch.receivedAt), batch.sender],
    'intake_insert_batch',
  )
}

export async function insertBatchEnd(database: Database, { site, batchId }: BatchRow, end: BatchEndRow): Promise<void> {
  await database.sql.query(
    `INSERT INTO intake.batch_ends (site_id, batch_id, ended_at, lines, reason, detail) VALUES ($1, $2, $3, $4, $5, $6)
     ON CONFLICT DO NOTHING`,
    [site, batchId, timestamptzText(end.endedAt), end.lines, end.reason, end.detail],
    'intake_insert_batch_end',
  )
}
