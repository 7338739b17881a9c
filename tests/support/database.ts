import { randomUUID } from 'node:crypto'
import pg from 'pg'
import { inject } from 'vitest'
import { type Clock, realClock } from '../../src/platform/clock.ts'
import { ensureComingMonths } from '../../src/platform/database/partitions.ts'
import { type Database, openDatabase } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { onDatabase, TEMPLATE } from './cluster.ts'

export interface TestDatabase {
  readonly name: string
  readonly serviceUrl: string
  readonly ownerUrl: string
  /** The superuser, in the same database. */
  readonly adminUrl: string
  drop(): Promise<void>
}

/** A database of the caller's own, cloned from `template` (the migrated one by default; `template1` is empty). */
export async function createTestDatabase(template = TEMPLATE): Promise<TestDatabase> {
  const cluster = inject('cluster')
  const name = `test_${randomUUID().replaceAll('-', '')}`
  await asAdmin(cluster.adminUrl, `CREATE DATABASE ${name} TEMPLATE ${template} OWNER limitkeep_owner`)
  return {
    name,
    serviceUrl: onDatabase(cluster.serviceUrl, name),
    ownerUrl: onDatabase(cluster.ownerUrl, name),
    adminUrl: onDatabase(cluster.adminUrl, name),
    // Connections a test left open must not keep the database.
    drop: () => asAdmin(cluster.adminUrl, `DROP DATABASE IF EXISTS ${name} WITH (FORCE)`),
  }
}

/** A clone, opened as the service opens it, with the partitions of the clock's coming months. */
export async function openTestDatabase(
  clock: Clock = realClock,
  options: { poolMax?: number } = {},
): Promise<{ database: Database; urls: TestDatabase; close(): Promise<void> }> {
  const urls = await createTestDatabase()
  const database = await openDatabase({
    serviceUrl: urls.serviceUrl,
    clock,
    log: silentLog,
    poolMax: options.poolMax ?? 4,
  })
  await ensureComingMonths(database)
  return {
    database,
    urls,
    async close() {
      await database.close()
      await urls.drop()
    },
  }
}

async function asAdmin(adminUrl: string, text: string): Promise<void> {
  const admin = new pg.Client({ connectionString: adminUrl })
  await admin.connect()
  try {
    await admin.query(text)
  } finally {
    await admin.end()
  }
}
