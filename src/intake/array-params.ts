/**
 * Array parameters as PostgreSQL takes them. The driver's own way looks through every element with two replacements and
 * sends bytes as hexadecimal inside a quoted text; with two hundred and fifty values an upload that was a third of a
 * commit's work. Long texts, bytes and instants go in the binary form of arrays (array_recv in the server's sources):
 * dimensions, whether there are nulls, element type, length, lower bound; then each element by its length.
 */

// Type numbers of pg_type; they never change.
const BYTEA = 17
const TEXT = 25
const TIMESTAMPTZ = 1184

const HEAD_BYTES = 20
const NULL_LENGTH = -1
/** The server counts microseconds from 2000-01-01. */
const ORIGIN_MS = 946_684_800_000
const NEEDS_ESCAPE = /["\\]/
const ESCAPED = /["\\]/g

/** An array of short values in text form. Numbers and booleans are written as SQL reads them; undefined is null. */
export function shortArray(values: readonly unknown[]): string {
  let text = '{'
  let separator = ''
  for (const value of values) {
    text += separator
    separator = ','
    if (value === null || value === undefined) text += 'NULL'
    else if (typeof value !== 'string') text += String(value)
    else if (NEEDS_ESCAPE.test(value)) text += `"${value.replace(ESCAPED, '\\$&')}"`
    else text += `"${value}"`
  }
  return `${text}}`
}

/** `bytea[]` in binary form. */
export function bytesArray(values: readonly (Uint8Array | null)[]): Buffer {
  return binaryArray(
    BYTEA,
    values,
    (value) => value.length,
    (value, into, at) => into.set(value, at),
  )
}

/** `text[]` in binary form: worth it for texts that are long or full of quotation marks. */
export function longTextArray(values: readonly (string | null)[]): Buffer {
  return binaryArray(
    TEXT,
    values,
    (value) => Buffer.byteLength(value, 'utf8'),
    (value, into, at) => into.write(value, at, 'utf8'),
  )
}

/** `timestamptz[]` in binary form, of milliseconds since the epoch. */
export function instantArray(values: readonly (number | null)[]): Buffer {
  return binaryArray(
    TIMESTAMPTZ,
    values,
    () => 8,
    (value, into, at) => {
      if (!Number.isSafeInteger(value)) throw new RangeError(`no instant of the database: ${value}`)
      // Microseconds of years after 2285 are beyond what a number holds exactly.
      into.writeBigInt64BE(BigInt(value - ORIGIN_MS) * 1_000n, at)
    },
  )
}

function binaryArray<Value>(
  type: number,
  values: readonly (Value | null)[],
  lengthOf: (value: Value) => number,
  write: (value: Value, into: Buffer, at: number) => void,
): Buffer {
  let size = HEAD_BYTES
  let hasNull = false
  const lengths = values.map((value) => {
    const length = value === null ? NULL_LENGTH : lengthOf(value)
    if (value === null) hasNull = true
    size += 4 + Math.max(length, 0)
    return length
  })
  const bytes = Buffer.allocUnsafe(size)
  bytes.writeInt32BE(1, 0)
  bytes.writeInt32BE(hasNull ? 1 : 0, 4)
  bytes.writeInt32BE(type, 8)
  bytes.writeInt32BE(values.length, 12)
  bytes.writeInt32BE(1, 16)
  let at = HEAD_BYTES
  for (const [index, value] of values.entries()) {
    const length = lengths[index] ?? NULL_LENGTH
    bytes.writeInt32BE(length, at)
    at += 4
    if (value === null) continue
    write(value, bytes, at)
    at += length
  }
  return bytes
}
