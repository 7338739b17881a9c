import { loadFacts } from '../judging/reads.ts'
import { ensureChecked } from '../plans/acts/ensure-checked.ts'
import type { ReceivedClock } from '../platform/clock.ts'
import { ensureMonths } from '../platform/database/partitions.ts'
import type { Database } from '../platform/database/pool.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { readChangesSince, shareGate } from '../platform/gate.ts'
import { readHistories, type UnitHistory } from '../units/reads.ts'
import type { UnitName } from '../units/words.ts'
import {
  attemptColumns,
  entryColumns,
  insertText,
  insertValues,
  readingColumns,
  runColumns,
  uploadColumns,
} from './columns.ts'
import type { CommitRows, IntakeCommit, IntakePort, KeyRow, UploadRow } from './port.ts'
import { takePermits } from './store-permits.ts'

/** The lane's port on PostgreSQL. */
export function intakeStore(database: Database, received: ReceivedClock): IntakePort {
  return {
    async ensureMonths(receivedAt, startedAt) {
      await ensureMonths(database, receivedAt, ['uploads', 'ledger_entries'])
      await ensureMonths(database, startedAt, ['runs', 'readings'])
    },
    inCommit: (work) => inTransaction(database, (sql) => work(commitOn(database, received, sql))),
    ensureChecked: (revisions) => ensureChecked(database, revisions),
    epoch: () => database.epoch(),
  }
}

function commitOn(database: Database, received: ReceivedClock, sql: Sql): IntakeCommit {
  return {
    async shareGate(site) {
      const share = await shareGate(sql, database.clock, site)
      // At once: after the commit the answer would be as old as the commit took.
      if (share !== undefined) received.observe(share.databaseAt)
      return share
    },
    changesSince: (site, version) => readChangesSince(sql, site, version),
    loadFacts: (facts, needs) => loadFacts(sql, facts, needs),
    takeKeys: (site, keys) => takeKeys(sql, site, keys),
    presentUploads: (site, uploads) => presentUploads(sql, site, uploads),
    lockUnits: (site, units) => lockUnits(sql, site, units),
    takePermits: (uses, at) => takePermits(sql, uses, at),
    append: (rows) => append(sql, rows),
  }
}

// A parallel twin waits at the conflict until the first commits; the loser reads the winner in the next statement, whose
// snapshot is its own.
const TAKE_KEYS = `
  INSERT INTO intake.upload_keys (site_id, station, upload_key, digest, upload_id, received_at)
  SELECT $1, station, upload_key, digest, upload_id, received_at
  FROM unnest($2::text[], $3::text[], $4::text[], $5::uuid[], $6::timestamptz[])
    AS given (station, upload_key, digest, upload_id, received_at)
  ORDER BY station COLLATE "C", upload_key COLLATE "C"
  ON CONFLICT DO NOTHING
  RETURNING upload_id`

const READ_KEYS = `
  SELECT k.station, k.upload_key AS "uploadKey", k.digest, k.upload_id AS "uploadId", k.received_at AS "receivedAt",
         (SELECT u.status FROM intake.uploads u
          WHERE u.site_id = k.site_id AND u.received_at = k.received_at AND u.upload_id = k.upload_id) AS status
  FROM intake.upload_keys k JOIN unnest($2::text[], $3::text[]) AS given (station, upload_key) USING (station, upload_key)
  WHERE k.site_id = $1`

async function takeKeys(sql: Sql, site: string, keys: readonly KeyRow[]): Promise<readonly KeyRow[]> {
  if (keys.length === 0) return []
  const taken = await sql.query<{ upload_id: string }>(
    TAKE_KEYS,
    [
      site,
      keys.map((key) => key.station),
      keys.map((key) => key.uploadKey),
      keys.map((key) => key.digest),
      keys.map((key) => key.uploadId),
      keys.map((key) => timestamptzText(key.receivedAt)),
    ],
    'intake_take_keys',
  )
  if (taken.length === keys.length) return []
  const ours = new Set(taken.map((row) => row.upload_id))
  const lost = keys.filter((key) => !ours.has(key.uploadId))
  return await sql.query<KeyRow>(
    READ_KEYS,
    [site, lost.map((key) => key.station), lost.map((key) => key.uploadKey)],
    'intake_read_keys',
  )
}

const PRESENT_UPLOADS = `
  SELECT upload_id AS "uploadId" FROM intake.uploads
  JOIN unnest($2::timestamptz[], $3::uuid[]) AS given (received_at, upload_id) USING (received_at, upload_id)
  WHERE site_id = $1`

async function presentUploads(
  sql: Sql,
  site: string,
  uploads: readonly { readonly receivedAt: number; readonly uploadId: string }[],
): Promise<ReadonlySet<string>> {
  if (uploads.length === 0) return new Set()
  const rows = await sql.query<{ uploadId: string }>(
    PRESENT_UPLOADS,
    [site, uploads.map(({ receivedAt }) => timestamptzText(receivedAt)), uploads.map(({ uploadId }) => uploadId)],
    'intake_present_uploads',
  )
  return new Set(rows.map(({ uploadId }) => uploadId))
}

const LOCK_UNITS = `
  INSERT INTO intake.units (site_id, product, serial, version)
  SELECT $1, product, serial, 1 FROM unnest($2::text[], $3::text[]) AS given (product, serial)
  ORDER BY product COLLATE "C", serial COLLATE "C"
  ON CONFLICT (site_id, product, serial) DO UPDATE SET version = intake.units.version + 1`

async function lockUnits(sql: Sql, site: string, units: readonly UnitName[]): Promise<Map<string, UnitHistory>> {
  if (units.length === 0) return new Map()
  await sql.query(
    LOCK_UNITS,
    [site, units.map((unit) => unit.product), units.map((unit) => unit.serial)],
    'intake_lock_units',
  )
  return await readHistories(sql, units)
}

const APPEND_FULL = appendText(true)
const APPEND_UPLOADS = appendText(false)

/** One statement for all tables, so that a commit of two hundred runs costs one round trip. */
function appendText(withRuns: boolean): string {
  const parts: string[] = []
  let first = 1
  const take = <Row>(table: string, columns: Parameters<typeof insertText<Row>>[1]) => {
    const text = insertText(table, columns, first)
    first += columns.length
    return text
  }
  parts.push(`appended_uploads AS (${take('intake.uploads', uploadColumns)})`)
  parts.push(
    `appended_entry AS (${take('intake.ledger_entries', entryColumns)} RETURNING site_id, entry_id, recorded_at)`,
  )
  parts.push(`appended_attempts AS (${take('intake.attempts', attemptColumns)})`)
  if (withRuns) {
    parts.push(`appended_runs AS (${take('intake.runs', runColumns)})`)
    parts.push(`appended_readings AS (${take('intake.readings', readingColumns)})`)
  }
  return `WITH ${parts.join(', ')}
    INSERT INTO intake.ledger_pending (site_id, entry_id, recorded_at) SELECT site_id, entry_id, recorded_at FROM appended_entry`
}

async function append(sql: Sql, rows: CommitRows): Promise<void> {
  const withRuns = rows.runs.length > 0
  const values = [
    ...insertValues(uploadColumns, rows.uploads),
    ...insertValues(entryColumns, [rows.entry]),
    ...insertValues(attemptColumns, rows.attempts),
  ]
  if (withRuns) {
    values.push(...insertValues(runColumns, rows.runs))
    values.push(...insertValues(readingColumns, rows.readings))
  }
  await sql.query(
    withRuns ? APPEND_FULL : APPEND_UPLOADS,
    values,
    withRuns ? 'intake_append_full' : 'intake_append_uploads',
  )
}

// Tried again after a lost answer, what is there already stays.
const KEEP_UPLOADS = `${insertText('intake.uploads', uploadColumns, 1)} ON CONFLICT DO NOTHING`

/** Keeps the bytes of uploads by themselves: what could not be read, or could not be committed. */
export async function keepUploads(database: Database, rows: readonly UploadRow[]): Promise<void> {
  if (rows.length === 0) return
  await ensureMonths(
    database,
    rows.map(({ receivedAt }) => receivedAt),
    ['uploads'],
  )
  await database.sql.query(KEEP_UPLOADS, insertValues(uploadColumns, rows), 'intake_keep_uploads')
}
