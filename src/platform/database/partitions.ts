import type { Database } from './pool.ts'

/** The tables split by month: of receipt (uploads), of the start as used (runs, readings), of recording (ledger). */
export const partitionedTables = ['uploads', 'runs', 'readings', 'ledger_entries'] as const
export type PartitionedTable = (typeof partitionedTables)[number]

/** Months made ahead of need, besides the current one, so that the turn of a month costs no upload anything. */
const MONTHS_AHEAD = 3

/** What this process knows to be there, per database: 'runs 2026-03-01'. Partitions are never taken away while it runs. */
const known = new WeakMap<Database, Set<string>>()

/**
 * Makes the months (in UTC) that hold `instants` (milliseconds since the epoch), where this process does not know them
 * to be there. Call before the transaction that inserts, never inside: each is made in a transaction of its own.
 * Throws the database's refusal for years outside 1970 to 2199.
 */
export async function ensureMonths(
  database: Database,
  instants: Iterable<number>,
  tables: readonly PartitionedTable[] = partitionedTables,
): Promise<void> {
  const months = new Set<string>()
  for (const at of instants) months.add(`${new Date(at).toISOString().slice(0, -17)}-01`)
  const there = known.get(database) ?? new Set<string>()
  known.set(database, there)
  for (const month of months) {
    for (const table of tables) {
      const partition = `${table} ${month}`
      if (there.has(partition)) continue
      await database.sql.query('SELECT intake.make_partition($1, $2)', [table, month], 'make_partition')
      there.add(partition)
    }
  }
}

/** This month and the next three by the database's clock, as scripted. At start, and daily by a reconciler. */
export async function ensureComingMonths(database: Database): Promise<void> {
  const [row] = await database.sql.query<{ now: number }>(
    'SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now',
  )
  if (!row) throw new Error('the database did not tell the time')
  const now = new Date(database.clock.read(row.now))
  const instants = Array.from({ length: MONTHS_AHEAD + 1 }, (_, ahead) =>
    Date.UTC(now.getUTCFullYear(), now.getUTCMonth() + ahead),
  )
  await ensureMonths(database, instants)
}
