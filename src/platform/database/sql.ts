import pg from 'pg'

/**
 * One way to send SQL, whether on the pool, in a transaction of ours or in one of Prisma's. Rows come back with
 * `bigint` as a number (refused beyond 2^53, never rounded), `timestamptz` as milliseconds since the epoch (cut, never
 * rounded; ±Infinity for 'infinity'), `numeric` and `date` as text, `bytea` as a Buffer. Instants go in as text: `timestamptzText`.
 */
export interface Sql {
  /** `name` makes it a prepared statement on each connection; one name stands for one text, for ever. */
  query<Row extends object = Record<string, unknown>>(
    text: string,
    values?: readonly unknown[],
    name?: string,
  ): Promise<Row[]>
}

// Type numbers of pg_type; they never change.
const INT8 = 20
const INT8_ARRAY = 1016
const TEXT_ARRAY = 1009
const DATE = 1082
const DATE_ARRAY = 1182
const TIMESTAMP = 1114
const TIMESTAMPTZ = 1184
const TIMESTAMPTZ_ARRAY = 1185

/** A `bigint` as a number. Throws where a double does not hold it: our counts stay far below, so that is a bug. */
export function parseInt8(text: string): number {
  const value = Number(text)
  if (!Number.isSafeInteger(value)) throw new RangeError(`bigint ${text} is beyond what a number holds exactly`)
  return value
}

const TIMESTAMPTZ_TEXT = /^(\d{4,6})-(\d\d)-(\d\d) (\d\d):(\d\d):(\d\d)(?:\.(\d{1,6}))?\+00( BC)?$/

/** Milliseconds since the epoch of a `timestamptz` as a session in UTC prints it, cut towards the past. */
export function parseTimestamptz(text: string): number {
  if (text === 'infinity') return Number.POSITIVE_INFINITY
  if (text === '-infinity') return Number.NEGATIVE_INFINITY
  const parts = TIMESTAMPTZ_TEXT.exec(text)
  if (!parts) throw new RangeError(`not a timestamptz of a session in UTC: ${text}`)
  const [, year, month, day, hour, minute, second, fraction = '', before] = parts
  const milliseconds = Number(fraction.slice(0, 3).padEnd(3, '0'))
  // Years below 100 would be taken for 19xx by Date.UTC; setUTCFullYear takes them as they are.
  const date = new Date(0)
  date.setUTCFullYear(before ? 1 - Number(year) : Number(year), Number(month) - 1, Number(day))
  return date.setUTCHours(Number(hour), Number(minute), Number(second), milliseconds)
}

/** The instant `at` (milliseconds since the epoch) as a value for a `timestamptz` parameter. */
export function timestamptzText(at: number): string {
  if (at === Number.POSITIVE_INFINITY) return 'infinity'
  if (at === Number.NEGATIVE_INFINITY) return '-infinity'
  const text = new Date(at).toISOString()
  if (text.startsWith('-') || text.startsWith('0000'))
    throw new RangeError(`the database holds no year before 0001: ${text}`)
  return text.startsWith('+') ? text.slice(1) : text
}

type Parser = (text: string) => unknown

// The driver's typed list of types knows no arrays; its parser for them is there all the same.
const textArray: (text: string) => (string | null)[] = pg.types.getTypeParser(TEXT_ARRAY as number as 25)

const asText: Parser = (text) => text
const arrayOf =
  (parse: Parser): Parser =>
  (text) =>
    textArray(text).map((entry) => (entry === null ? null : parse(entry)))

const parsers = new Map<number, Parser>([
  [INT8, parseInt8],
  [INT8_ARRAY, arrayOf(parseInt8)],
  [DATE, asText],
  [DATE_ARRAY, arrayOf(asText)],
  [TIMESTAMP, asText],
  [TIMESTAMPTZ, parseTimestamptz],
  [TIMESTAMPTZ_ARRAY, arrayOf(parseTimestamptz)],
])

/** Given with each query of ours rather than set for the process, because Prisma shares the driver and has its own. */
const types: pg.CustomTypesConfig = {
  getTypeParser: (oid: number, format?: string) =>
    (format !== 'binary' && parsers.get(oid)) || pg.types.getTypeParser(oid, format as 'text'),
}

/** Anything of `pg` that takes a query: the pool, or one client of it. */
interface Queryable {
  query(query: pg.QueryConfig): Promise<pg.QueryResult>
}

/** SQL on a pool or on one client. */
export function sqlOn(target: Queryable): Sql {
  return {
    async query<Row extends object>(text: string, values?: readonly unknown[], name?: string) {
      const result = await target.query({
        text,
        types,
        ...(values ? { values: [...values] } : {}),
        ...(name ? { name } : {}),
      })
      return result.rows as Row[]
    },
  }
}
