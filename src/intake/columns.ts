import { bytesArray, instantArray, longTextArray, shortArray } from './array-params.ts'
import type { AttemptRow, EntryRow, ReadingRow, RunRow, UploadRow } from './port.ts'

/**
 * Which column of a table holds which member of its row, and the SQL type of its parameter. One list serves the
 * statement and its values, so that the two cannot come apart.
 */
type Column<Row> = readonly [column: string, type: string, member: keyof Row & string]

export const uploadColumns: readonly Column<UploadRow>[] = [
  ['site_id', 'text', 'site'],
  ['received_at', 'timestamptz', 'receivedAt'],
  ['upload_id', 'uuid', 'uploadId'],
  ['station', 'text', 'station'],
  ['upload_key', 'text', 'uploadKey'],
  ['sequence_number', 'int8', 'sequenceNumber'],
  ['sender', 'text', 'sender'],
  ['sent_at', 'timestamptz', 'sentAt'],
  ['skew_ms', 'int8', 'skewMs'],
  ['batch_id', 'uuid', 'batchId'],
  ['line', 'int4', 'line'],
  ['raw', 'bytea', 'raw'],
  ['content_digest', 'text', 'contentDigest'],
  ['outcome', 'text', 'outcome'],
  ['status', 'int2', 'status'],
  ['codes', 'text', 'codes'],
  ['product', 'text', 'product'],
  ['serial', 'text', 'serial'],
  ['plan', 'text', 'plan'],
  ['revision', 'int4', 'revision'],
  ['started_at', 'timestamptz', 'startedAt'],
  ['judgement', 'text', 'judgement'],
  ['fault', 'text', 'fault'],
  ['first_upload_id', 'uuid', 'firstUploadId'],
  ['first_received_at', 'timestamptz', 'firstReceivedAt'],
]

export const runColumns: readonly Column<RunRow>[] = [
  ['site_id', 'text', 'site'],
  ['started_at', 'timestamptz', 'startedAt'],
  ['run_id', 'uuid', 'runId'],
  ['received_at', 'timestamptz', 'receivedAt'],
  ['station', 'text', 'station'],
  ['upload_key', 'text', 'uploadKey'],
  ['sequence_number', 'int8', 'sequenceNumber'],
  ['outcome', 'text', 'outcome'],
  ['purpose', 'text', 'purpose'],
  ['source', 'text', 'source'],
  ['product', 'text', 'product'],
  ['variant', 'text', 'variant'],
  ['serial', 'text', 'serial'],
  ['operation', 'text', 'operation'],
  ['plan', 'text', 'plan'],
  ['revision', 'int4', 'revision'],
  ['revision_digest', 'text', 'revisionDigest'],
  ['product_version', 'int4', 'productVersion'],
  ['rules_version', 'int4', 'rulesVersion'],
  // An array inside an array of rows would have to be rectangular, so it travels as JSON text.
  ['editions', 'json-texts', 'editions'],
  ['decision_rule', 'text', 'decisionRule'],
  ['instrument', 'text', 'instrument'],
  ['calibration', 'text', 'calibration'],
  ['programming', 'text', 'programming'],
  ['person', 'text', 'person'],
  ['started_at_sent', 'timestamptz', 'startedAtSent'],
  ['ended_at', 'timestamptz', 'endedAt'],
  ['verdict', 'text', 'verdict'],
  ['station_verdict', 'text', 'stationVerdict'],
  ['attempt_cause', 'text', 'attemptCause'],
  ['attempt_of', 'text', 'attemptOf'],
  ['job_order', 'text', 'jobOrder'],
  ['material_lot', 'text', 'materialLot'],
  ['component_lots', 'text', 'componentLots'],
  ['ambient', 'text', 'ambient'],
  ['judgement', 'text', 'judgement'],
]

export const readingColumns: readonly Column<ReadingRow>[] = [
  ['site_id', 'text', 'site'],
  ['started_at', 'timestamptz', 'startedAt'],
  ['run_id', 'uuid', 'runId'],
  ['step', 'text', 'step'],
  ['measurement', 'text', 'measurement'],
  ['kind', 'text', 'kind'],
  ['termination', 'text', 'termination'],
  ['verdict', 'text', 'verdict'],
  ['quantity', 'text', 'quantity'],
  ['detector', 'text', 'detector'],
  ['value', 'numeric', 'value'],
  ['relation', 'text', 'relation'],
  ['unit', 'text', 'unit'],
  ['text', 'text', 'text'],
  ['judged', 'numeric', 'judged'],
  ['test_voltage', 'numeric', 'testVoltage'],
  ['test_current', 'numeric', 'testCurrent'],
  ['dwell', 'numeric', 'dwell'],
  ['frequency', 'numeric', 'frequency'],
  ['residual_voltage', 'numeric', 'residualVoltage'],
  ['limit_lower', 'numeric', 'limitLower'],
  ['limit_upper', 'numeric', 'limitUpper'],
  ['open_lead_minimum', 'numeric', 'openLeadMinimum'],
]

export const attemptColumns: readonly Column<AttemptRow>[] = [
  ['site_id', 'text', 'site'],
  ['product', 'text', 'product'],
  ['serial', 'text', 'serial'],
  ['started_at', 'timestamptz', 'startedAt'],
  ['sequence_number', 'int8', 'sequenceNumber'],
  ['run_id', 'uuid', 'runId'],
  ['received_at', 'timestamptz', 'receivedAt'],
  ['station', 'text', 'station'],
  ['upload_key', 'text', 'uploadKey'],
  ['outcome', 'text', 'outcome'],
  ['codes', 'json-texts', 'codes'],
  ['purpose', 'text', 'purpose'],
  ['verdict', 'text', 'verdict'],
  ['operation', 'text', 'operation'],
  ['variant', 'text', 'variant'],
  ['plan', 'text', 'plan'],
  ['revision', 'int4', 'revision'],
  ['instrument', 'text', 'instrument'],
  ['programming', 'text', 'programming'],
  ['person', 'text', 'person'],
  ['attempt_cause', 'text', 'attemptCause'],
  ['reported_failure', 'bool', 'reportedFailure'],
  ['steps', 'jsonb', 'steps'],
]

export const entryColumns: readonly Column<EntryRow>[] = [
  ['site_id', 'text', 'site'],
  ['recorded_at', 'timestamptz', 'recordedAt'],
  ['entry_id', 'uuid', 'entryId'],
  ['content', 'text', 'content'],
  ['leaf_hash', 'text', 'leafHash'],
]

/** `INSERT` of any number of rows from one array parameter per column; parameters count from `first`. */
export function insertText<Row>(table: string, columns: readonly Column<Row>[], first: number): string {
  const names = columns.map(([column]) => column).join(', ')
  const picked = columns
    .map(([column, type]) => {
      if (type === 'json-texts') return `ARRAY(SELECT jsonb_array_elements_text(given.${column}::jsonb))`
      return type === 'jsonb' ? `given.${column}::jsonb` : `given.${column}`
    })
    .join(', ')
  const arrays = columns
    .map(([, type], index) => `$${first + index}::${type === 'json-texts' || type === 'jsonb' ? 'text' : type}[]`)
    .join(', ')
  return `INSERT INTO ${table} (${names}) SELECT ${picked} FROM unnest(${arrays}) AS given (${names})`
}

/** The array parameters of `insertText`, a column each. */
export function insertValues<Row>(columns: readonly Column<Row>[], rows: readonly Row[]): (string | Buffer)[] {
  return columns.map(([, type, member]) => {
    switch (type) {
      case 'timestamptz':
        return instantArray(rows.map((row) => numberOf(row[member])))
      case 'bytea':
        return bytesArray(rows.map((row) => bytesOf(row[member])))
      case 'jsonb':
        return longTextArray(rows.map((row) => jsonOrNull(row[member])))
      case 'json-texts':
        return shortArray(rows.map((row) => JSON.stringify(row[member])))
      case 'text':
        if (LONG.has(member)) return longTextArray(rows.map((row) => textOf(row[member])))
        return shortArray(rows.map((row) => row[member]))
      default:
        return shortArray(rows.map((row) => row[member]))
    }
  })
}

/** Members that hold JSON or other long texts. */
const LONG: ReadonlySet<string> = new Set(['codes', 'judgement', 'content', 'componentLots', 'ambient'])

function jsonOrNull(value: unknown): string | null {
  return value === null || value === undefined ? null : JSON.stringify(value)
}

function numberOf(value: unknown): number | null {
  return typeof value === 'number' ? value : null
}

function textOf(value: unknown): string | null {
  return typeof value === 'string' ? value : null
}

function bytesOf(value: unknown): Uint8Array | null {
  return value instanceof Uint8Array ? value : null
}
