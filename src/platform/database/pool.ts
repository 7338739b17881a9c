import pg from 'pg'
import type { Prisma, PrismaClient } from '../../generated/prisma/client.ts'
import type { Clock } from '../clock.ts'
import { type Ids, idsFrom } from '../ids.ts'
import type { Log } from '../log.ts'
import { failureOf } from './errors.ts'
import { prismaOn } from './prisma.ts'
import { type Sql, sqlOn } from './sql.ts'

export { type Sql, timestamptzText } from './sql.ts'

/** One database, as the service role sees it. */
export interface Database {
  readonly pool: pg.Pool
  /** Each statement a transaction of its own, on any connection of the pool. */
  readonly sql: Sql
  readonly prisma: PrismaClient
  readonly clock: Clock
  readonly ids: Ids
  readonly log: Log
  /**
   * Rises whenever the server behind the pool may have become another one: a connection was lost, or the first one made
   * anew. What was remembered under an earlier epoch may belong to a history that a failover took away.
   */
  epoch(): number
  /** Hand-written SQL inside one of Prisma's transactions. */
  sqlOf(transaction: Prisma.TransactionClient): Promise<Sql>
  /** Waits for statements under way, then closes every connection. */
  close(): Promise<void>
}

export interface DatabaseOptions {
  readonly serviceUrl: string
  readonly clock: Clock
  readonly log: Log
  /** Most connections of this process. Four commits of the lane, acts, and readers. */
  readonly poolMax?: number
  readonly ids?: Ids
}

export const STATEMENT_TIME_MAX_MS = 10_000
export const IDLE_IN_TRANSACTION_MAX_MS = 5_000
const CONNECT_TIME_MAX_MS = 5_000
/** A silent network tells nobody; the server would have answered by its own limit before this. */
const ANSWER_TIME_MAX_MS = STATEMENT_TIME_MAX_MS + 5_000
const KEEP_ALIVE_AFTER_MS = 10_000
const IDLE_CONNECTION_MS = 300_000
const POOL_MAX = 16
/** PostgreSQL 15 is the oldest server supported. */
const SERVER_VERSION_MIN = 150_000

interface ServerSettings {
  version: number
  timezone: string
  encoding: string
  durability: string
  standby: boolean
}

/** Refuses a database on which the service would be quietly wrong, each with what to do. */
function assertFit(server: ServerSettings): void {
  if (server.version < SERVER_VERSION_MIN) {
    throw new Error(`PostgreSQL 15 or newer is needed; this server reports version ${server.version}.`)
  }
  if (server.timezone !== 'UTC') {
    throw new Error(
      `Sessions must run in UTC, this one runs in ${server.timezone}: remove the TimeZone option from the database URL.`,
    )
  }
  if (server.encoding !== 'UTF8') {
    throw new Error(`The database must be created with encoding UTF8; this one has ${server.encoding}.`)
  }
  if (server.durability === 'off') {
    throw new Error(
      'synchronous_commit is off for this role or database: an acknowledged upload could be lost. Set it to on.',
    )
  }
  if (server.standby) {
    throw new Error('The database is a standby and takes no writes; name the primary.')
  }
}

/** Opens the pool, looks whether the server is fit, and puts Prisma on the same pool. Throws with the reason if not. */
export async function openDatabase(options: DatabaseOptions): Promise<Database> {
  const { clock, log } = options
  const pool = new pg.Pool({
    connectionString: options.serviceUrl,
    application_name: 'limitkeep',
    // Without it Prisma's adapter stores timestamptz shifted by the zone's offset, and reads them back as if they were right.
    options: '-c TimeZone=UTC -c DateStyle=ISO',
    max: options.poolMax ?? POOL_MAX,
    connectionTimeoutMillis: CONNECT_TIME_MAX_MS,
    idleTimeoutMillis: IDLE_CONNECTION_MS,
    statement_timeout: STATEMENT_TIME_MAX_MS,
    idle_in_transaction_session_timeout: IDLE_IN_TRANSACTION_MAX_MS,
    query_timeout: ANSWER_TIME_MAX_MS,
    keepAlive: true,
    keepAliveInitialDelayMillis: KEEP_ALIVE_AFTER_MS,
  })
  let epoch = 0
  const lost = (error: unknown) => {
    epoch += 1
    log.warn({ err: error }, 'A database connection was lost.')
  }
  // A connection that dies tells its client, and the pool as well where it idled; unheard, either would end the process.
  pool.on('connect', (client) => {
    if (pool.totalCount <= 1) epoch += 1
    client.on('error', lost)
  })
  pool.on('error', () => undefined)
  // One that fell silent tells nobody; whoever waited in vain gives it up.
  pool.on('release', (given: unknown) => {
    if (given !== true && failureOf(given)?.kind !== 'lost') return
    epoch += 1
    log.warn({}, 'A database connection was given up.')
  })
  const sql = sqlOn(pool)
  try {
    const [server] = await sql.query<ServerSettings>(
      `SELECT current_setting('server_version_num')::int AS version, current_setting('TimeZone') AS timezone,
              current_setting('server_encoding') AS encoding, current_setting('synchronous_commit') AS durability,
              pg_is_in_recovery() AS standby`,
    )
    if (!server) throw new Error('The database answered a question about its settings with no row.')
    assertFit(server)
  } catch (error) {
    await pool.end()
    throw error
  }
  const { prisma, sqlOf } = prismaOn(pool, lost)
  return {
    pool,
    sql,
    prisma,
    clock,
    ids: options.ids ?? idsFrom(),
    log,
    epoch: () => epoch,
    sqlOf,
    async close() {
      await prisma.$disconnect()
      await pool.end()
    },
  }
}
