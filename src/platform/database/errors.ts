import { Problem } from '../problems.ts'

/**
 * What an error of the database means for whoever sent the statement.
 * `conflict`: another transaction was in the way; the same work may be tried again at once.
 * `overloaded`: no connection, no time or no room; nothing was done, try again later.
 * `lost`: the connection died under the work, so a COMMIT in flight may have been carried out.
 * `data`: the values or a constraint refuse it (SQLSTATE classes 22, 23, 54); the same work fails again.
 * `other`: a bug, or a database set up wrongly.
 */
export type FailureKind = 'conflict' | 'overloaded' | 'lost' | 'data' | 'other'

export interface DatabaseFailure {
  readonly kind: FailureKind
  /** The five characters, where the server gave any. */
  readonly sqlState: string | undefined
  /** Name of the constraint or unique index that refused. */
  readonly constraint: string | undefined
}

/** SQLSTATEs and classes (their first two characters) with what they mean; a whole code goes before its class. */
const meanings: Readonly<Record<string, FailureKind>> = {
  '40001': 'conflict', // serialization_failure
  '40P01': 'conflict', // deadlock_detected
  '40003': 'lost', // statement_completion_unknown
  '08': 'lost', // connection exceptions
  '25P03': 'lost', // idle_in_transaction_session_timeout
  '57P01': 'lost', // admin_shutdown
  '57P02': 'lost', // crash_shutdown
  '57P03': 'overloaded', // cannot_connect_now: starting, or recovering
  '57014': 'overloaded', // query_canceled: the statement's time limit
  '55P03': 'overloaded', // lock_not_available
  '53': 'overloaded', // too many connections, disk full, out of memory
  '22': 'data',
  '23': 'data',
  '54': 'data',
}

/** Prisma's own codes where no SQLSTATE stands behind them. */
const prismaMeanings: Readonly<Record<string, FailureKind>> = {
  P2034: 'conflict',
  P2028: 'overloaded',
  P2024: 'overloaded',
  P1001: 'overloaded',
  P1002: 'overloaded',
  P1008: 'overloaded',
  P1017: 'lost',
}

/** Prisma's adapter turns what it knows of a socket's failure into these words. */
const adapterMeanings: Readonly<Record<string, FailureKind>> = {
  TransactionWriteConflict: 'conflict',
  DatabaseNotReachable: 'overloaded',
  TooManyConnections: 'overloaded',
  ConnectionClosed: 'lost',
  SocketTimeout: 'lost',
}

/** Node's and the driver's failures carry no SQLSTATE; the driver's are known by their text alone. */
const socketMeanings: Readonly<Record<string, FailureKind>> = {
  ECONNREFUSED: 'overloaded',
  ENOTFOUND: 'overloaded',
  EAI_AGAIN: 'overloaded',
  EHOSTUNREACH: 'overloaded',
  ECONNRESET: 'lost',
  EPIPE: 'lost',
  ETIMEDOUT: 'lost',
}
const driverMeanings: readonly (readonly [string, FailureKind])[] = [
  ['timeout exceeded when trying to connect', 'overloaded'],
  ['Connection terminated due to connection timeout', 'overloaded'],
  ['Connection terminated', 'lost'],
  ['Client has encountered a connection error', 'lost'],
  ['Client was closed and is not queryable', 'lost'],
  ['Query read timeout', 'lost'],
  // Ours, in prisma.ts: Prisma ended the transaction for its time while the work went on.
  ['the transaction was rolled back', 'overloaded'],
  ['Cannot use a pool after calling end on the pool', 'overloaded'],
]

type Members = Readonly<Record<string, unknown>>

function membersOf(value: unknown): Members | undefined {
  return typeof value === 'object' && value !== null ? (value as Members) : undefined
}

function textOf(value: unknown): string | undefined {
  return typeof value === 'string' ? value : undefined
}

/** The quoted name in `... violates exclusion constraint "name"`, for errors that lost the member on the way. */
function constraintIn(message: string | undefined): string | undefined {
  return message === undefined ? undefined : /constraint "([^"]+)"/.exec(message)?.[1]
}

function fromState(sqlState: string, constraint: string | undefined): DatabaseFailure {
  return { kind: meanings[sqlState] ?? meanings[sqlState.slice(0, 2)] ?? 'other', sqlState, constraint }
}

function fromAdapter(cause: Members): DatabaseFailure | undefined {
  const constraint = textOf(membersOf(cause['constraint'])?.['index']) ?? constraintIn(textOf(cause['originalMessage']))
  const sqlState = textOf(cause['originalCode']) ?? textOf(cause['code'])
  if (sqlState !== undefined) return fromState(sqlState, constraint)
  const kind = adapterMeanings[textOf(cause['kind']) ?? '']
  return kind && { kind, sqlState: undefined, constraint }
}

function fromOne(error: Members): DatabaseFailure | undefined {
  const code = textOf(error['code'])
  const message = textOf(error['message']) ?? ''
  if (code !== undefined && textOf(error['severity']) !== undefined) {
    return fromState(code, textOf(error['constraint']) ?? constraintIn(message))
  }
  // Prisma wraps the adapter's error in meta; where it breaks at COMMIT, the adapter's error comes bare.
  const adapterError = membersOf(membersOf(error['meta'])?.['driverAdapterError']) ?? error
  const cause = membersOf(adapterError['cause'])
  if (cause && textOf(cause['kind']) !== undefined) {
    const failure = fromAdapter(cause)
    if (failure) return failure
  }
  const kind =
    (code !== undefined ? (prismaMeanings[code] ?? socketMeanings[code]) : undefined) ??
    driverMeanings.find(([text]) => message.startsWith(text))?.[1]
  return kind && { kind, sqlState: undefined, constraint: undefined }
}

/** What the database said, however deep Prisma, the driver or a Problem wrapped it; undefined: not the database's. */
export function failureOf(error: unknown): DatabaseFailure | undefined {
  let one = membersOf(error)
  for (let depth = 0; one && depth < 8; depth += 1) {
    const failure = fromOne(one)
    if (failure) return failure
    // Several addresses tried in vain come as an AggregateError of sockets' failures.
    const inner = one['errors']
    one = membersOf(one['cause']) ?? (Array.isArray(inner) ? membersOf(inner[0]) : undefined)
  }
  return undefined
}

/** Whether a unique or exclusion constraint refused (23505, 23P01); with a name, whether it was this one. */
export function isTaken(error: unknown, constraint?: string): boolean {
  const failure = failureOf(error)
  if (failure?.sqlState !== '23505' && failure?.sqlState !== '23P01') return false
  return constraint === undefined || failure.constraint === constraint
}

/** Whether a foreign key refused (23503); with a name, whether it was this one. */
export function isDangling(error: unknown, constraint?: string): boolean {
  const failure = failureOf(error)
  return failure?.sqlState === '23503' && (constraint === undefined || failure.constraint === constraint)
}

/**
 * The one translation for callers: what passes by waiting becomes `overloaded` (503, Retry-After), everything else is
 * handed back as it is, so that a bug stays a bug.
 */
export function translated(error: unknown): unknown {
  if (error instanceof Problem) return error
  const kind = failureOf(error)?.kind
  if (kind !== 'conflict' && kind !== 'overloaded' && kind !== 'lost') return error
  return new Problem('overloaded', {
    detail: 'The database cannot take this at the moment. Send the same request again.',
    headers: { 'retry-after': '1' },
    cause: error,
  })
}
