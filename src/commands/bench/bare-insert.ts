import {
  attemptColumns,
  insertText,
  insertValues,
  readingColumns,
  runColumns,
  uploadColumns,
} from '../../intake/columns.ts'
import type { AttemptRow, KeyRow, ReadingRow, RunRow, UploadRow } from '../../intake/port.ts'
import type { Database } from '../../platform/database/pool.ts'
import { timestamptzText } from '../../platform/database/sql.ts'

/** Uploads put in by one transaction, as many as a batch commits at once. */
const CHUNK = 500

const KEYS = `INSERT INTO intake.upload_keys (site_id, station, upload_key, digest, upload_id, received_at)
  SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::uuid[], $6::timestamptz[])`
const UNITS = `INSERT INTO intake.units (site_id, product, serial, version)
  SELECT site_id, product, serial, 1 FROM unnest($1::text[], $2::text[], $3::text[]) AS given (site_id, product, serial)`

type ColumnsOf<Row> = readonly (readonly [column: string, type: string, member: keyof Row & string])[]

interface Rows {
  readonly uploads: UploadRow[]
  readonly runs: RunRow[]
  readonly readings: ReadingRow[]
  readonly attempts: AttemptRow[]
}

/**
 * What a batch is compared with: the rows that it stored, under other ids, keys and serial numbers, put into the same
 * tables by `INSERT ... SELECT FROM unnest` and nothing else, chunk after chunk on one connection of the same pool, each a
 * transaction that is durable. Reading the rows is not counted.
 */
export async function bareInsert(database: Database, batchId: string): Promise<{ seconds: number; uploads: number }> {
  const chunks = await readChunks(database, batchId)
  const client = await database.pool.connect()
  try {
    const beganAt = performance.now()
    for (const { uploads, runs, readings, attempts } of chunks) {
      await client.query('BEGIN')
      const keys = uploads.map(keyOf)
      await client.query({
        name: 'bare_keys',
        text: KEYS,
        values: [
          uploads.map(({ site }) => site),
          keys.map(({ station }) => station),
          keys.map(({ uploadKey }) => uploadKey),
          keys.map(({ digest }) => digest),
          keys.map(({ uploadId }) => uploadId),
          keys.map(({ receivedAt }) => timestamptzText(receivedAt)),
        ],
      })
      const units = [
        uploads.map(({ site }) => site),
        runs.map(({ product }) => product),
        runs.map(({ serial }) => serial),
      ]
      await client.query({ name: 'bare_units', text: UNITS, values: units })
      await client.query(insertOf('intake.uploads', uploadColumns, uploads))
      await client.query(insertOf('intake.runs', runColumns, runs))
      await client.query(insertOf('intake.readings', readingColumns, readings))
      await client.query(insertOf('intake.attempts', attemptColumns, attempts))
      await client.query('COMMIT')
    }
    const seconds = (performance.now() - beganAt) / 1_000
    client.release()
    return { seconds, uploads: chunks.reduce((count, { uploads }) => count + uploads.length, 0) }
  } catch (error) {
    client.release(true)
    throw error
  }
}

function insertOf<Row>(table: string, columns: ColumnsOf<Row>, rows: readonly Row[]) {
  return { name: `bare_${table}`, text: insertText(table, columns, 1), values: insertValues(columns, rows) }
}

function keyOf({ station, uploadKey, contentDigest, uploadId, receivedAt }: UploadRow): KeyRow {
  return { station: station ?? '', uploadKey: uploadKey ?? '', digest: contentDigest ?? '', uploadId, receivedAt }
}

async function readChunks({ sql, ids }: Database, batchId: string): Promise<Rows[]> {
  const select = <Row extends object>(table: string, columns: ColumnsOf<Row>, key: string, names: readonly string[]) =>
    sql.query<Row>(
      `SELECT ${columns.map(([column, , member]) => `${column} AS "${member}"`).join(', ')}
       FROM ${table} WHERE ${key} = ANY ($1::uuid[])`,
      [names],
    )
  const all = await sql.query<{ id: string }>(
    `SELECT upload_id AS id FROM intake.uploads WHERE batch_id = $1 AND outcome = 'accepted' ORDER BY line`,
    [batchId],
  )
  const chunks: Rows[] = []
  for (let first = 0; first < all.length; first += CHUNK) {
    const names = all.slice(first, first + CHUNK).map(({ id }) => id)
    const uploads = await select<UploadRow>('intake.uploads', uploadColumns, 'upload_id', names)
    const fresh = new Map(uploads.map(({ uploadId, receivedAt }) => [uploadId, ids.mint(receivedAt)]))
    const other = <Row extends { runId: string }>(row: Row): Row => ({
      ...row,
      runId: fresh.get(row.runId) ?? row.runId,
    })
    // Of a unit and under a key that no upload names.
    const renamed = <Row extends { serial: string | null; uploadKey: string | null }>(row: Row): Row => ({
      ...row,
      serial: `${row.serial}x`,
      uploadKey: `${row.uploadKey}x`,
    })
    chunks.push({
      uploads: uploads.map((row) => renamed({ ...row, uploadId: fresh.get(row.uploadId) ?? row.uploadId })),
      runs: (await select<RunRow>('intake.runs', runColumns, 'run_id', names)).map(other).map(renamed),
      readings: (await select<ReadingRow>('intake.readings', readingColumns, 'run_id', names)).map(other),
      attempts: (await select<AttemptRow>('intake.attempts', attemptColumns, 'run_id', names)).map(other).map(renamed),
    })
  }
  return chunks
}
