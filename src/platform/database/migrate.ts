import { createHash, randomUUID } from 'node:crypto'
import { readdir, readFile } from 'node:fs/promises'
import { join } from 'node:path'
import pg from 'pg'
import type { Log } from '../log.ts'

/** Prisma's own advisory lock for migrations, so that its engine and we never run at once. */
const MIGRATION_LOCK = 72_707_369
/** Another process may be applying a long migration; after this it is stuck rather than busy. */
const LOCK_WAIT_MAX_MS = 120_000

interface Migration {
  readonly name: string
  readonly sql: string
  /** SHA-256 of the file in hex, as Prisma computes it. */
  readonly checksum: string
}

interface Recorded {
  readonly migration_name: string
  readonly checksum: string
  readonly finished_at: Date | null
  readonly logs: string | null
}

export interface MigrateOptions {
  /** A direct connection of the role that owns the tables; not through a transaction-pooling proxy. */
  readonly ownerUrl: string
  /** Holds one folder per migration, each with a `migration.sql`; applied in the order of their names. */
  readonly directory: string
  readonly log: Log
}

/** Columns exactly as Prisma's engine makes them, so that its commands agree with what we applied. */
const BOOKKEEPING = `
  CREATE TABLE IF NOT EXISTS public._prisma_migrations (
    id                  VARCHAR(36) PRIMARY KEY NOT NULL,
    checksum            VARCHAR(64) NOT NULL,
    finished_at         TIMESTAMPTZ,
    migration_name      VARCHAR(255) NOT NULL,
    logs                TEXT,
    rolled_back_at      TIMESTAMPTZ,
    started_at          TIMESTAMPTZ NOT NULL DEFAULT now(),
    applied_steps_count INTEGER NOT NULL DEFAULT 0
  )`

/**
 * Applies what is not applied yet, each file in one transaction together with its bookkeeping, so that a process killed
 * half-way leaves nothing behind. Any number of processes may start at once. Throws, with what to do, where an applied
 * file was edited, where a migration of Prisma's engine did not finish, and where a file fails.
 */
export async function migrate(options: MigrateOptions): Promise<{ applied: string[] }> {
  const migrations = await readMigrations(options.directory)
  return withOwner(options.ownerUrl, async (client) => {
    await client.query(BOOKKEEPING)
    const recorded = await client.query<Recorded>(
      `SELECT migration_name, checksum, finished_at, logs FROM public._prisma_migrations
       WHERE rolled_back_at IS NULL ORDER BY started_at`,
    )
    assertAgree(migrations, recorded.rows, options.log)
    const done = new Set(recorded.rows.map((row) => row.migration_name))
    const applied: string[] = []
    for (const migration of migrations) {
      if (done.has(migration.name)) continue
      await apply(client, migration)
      options.log.info({ migration: migration.name }, 'A migration was applied.')
      applied.push(migration.name)
    }
    return { applied }
  })
}

async function readMigrations(directory: string): Promise<Migration[]> {
  const entries = await readdir(directory, { withFileTypes: true })
  const names = entries.filter((entry) => entry.isDirectory()).map((entry) => entry.name)
  return Promise.all(
    names.sort().map(async (name) => {
      const bytes = await readFile(join(directory, name, 'migration.sql'))
      return { name, sql: bytes.toString('utf8'), checksum: createHash('sha256').update(bytes).digest('hex') }
    }),
  )
}

function assertAgree(migrations: readonly Migration[], recorded: readonly Recorded[], log: Log): void {
  const known = new Map(migrations.map((migration) => [migration.name, migration]))
  for (const row of recorded) {
    const migration = known.get(row.migration_name)
    if (row.finished_at === null) {
      throw new Error(
        `Migration ${row.migration_name} was begun and not finished${row.logs ? `: ${row.logs}` : '.'} ` +
          'Look what of it took effect, finish or undo it by hand, then set finished_at or rolled_back_at of its row in _prisma_migrations.',
      )
    }
    if (!migration) {
      log.warn(
        { migration: row.migration_name },
        'The database has a migration this release does not know; a newer one was here.',
      )
    } else if (migration.checksum !== row.checksum) {
      throw new Error(
        `Migration ${migration.name} was edited after it had been applied. Put the file back as it was; write a new migration for the change.`,
      )
    }
  }
}

/** One file. Several statements sent as one query without parameters run in the transaction that is open. */
async function apply(client: pg.Client, migration: Migration): Promise<void> {
  const id = randomUUID()
  try {
    await client.query('BEGIN')
    await client.query(
      'INSERT INTO public._prisma_migrations (id, checksum, migration_name, started_at) VALUES ($1, $2, $3, clock_timestamp())',
      [id, migration.checksum, migration.name],
    )
    await client.query(migration.sql)
    const finished = await client.query(
      'UPDATE public._prisma_migrations SET finished_at = clock_timestamp(), applied_steps_count = 1 WHERE id = $1',
      [id],
    )
    if (finished.rowCount !== 1) throw new Error('the file ended the transaction it runs in')
    await client.query('COMMIT')
  } catch (error) {
    const place = placeOf(error, migration.sql)
    const reason = `${error instanceof Error ? error.message : String(error)}${place}`
    await client.query('ROLLBACK')
    // Recorded as rolled back, which is the truth: the next start tries it again once the cause is mended.
    await client.query(
      `INSERT INTO public._prisma_migrations (id, checksum, migration_name, logs, started_at, rolled_back_at)
       VALUES ($1, $2, $3, $4, clock_timestamp(), clock_timestamp())`,
      [randomUUID(), migration.checksum, migration.name, reason],
    )
    throw new Error(`Migration ${migration.name} failed and was rolled back: ${reason}`, { cause: error })
  }
}

/** The line of the file that the server points at, where it points anywhere. */
function placeOf(error: unknown, sql: string): string {
  const position = error instanceof pg.DatabaseError ? Number(error.position) : Number.NaN
  return Number.isNaN(position) ? '' : ` (line ${sql.slice(0, position - 1).split('\n').length})`
}

/** Runs `work` on one direct connection of the owner, under the migration lock, in the schema public and in UTC. */
export async function withOwner<T>(ownerUrl: string, work: (client: pg.Client) => Promise<T>): Promise<T> {
  const client = new pg.Client({
    connectionString: ownerUrl,
    application_name: 'limitkeep migrate',
    options: '-c TimeZone=UTC -c search_path=public',
    connectionTimeoutMillis: 10_000,
  })
  // The failure is thrown by the query it breaks; the event alone would end the process.
  client.on('error', () => undefined)
  await client.connect()
  try {
    await client.query(`SET lock_timeout = ${LOCK_WAIT_MAX_MS}`)
    await client.query('SELECT pg_advisory_lock($1)', [MIGRATION_LOCK])
    await client.query('SET lock_timeout = 0')
    return await work(client)
  } finally {
    // Ending the session gives the lock back.
    await client.end()
  }
}
