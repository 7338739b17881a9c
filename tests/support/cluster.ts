import { mkdtemp, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import pg from 'pg'
import type { TestProject } from 'vitest/node'
import { startEmbedded } from '../../src/platform/database/embedded.ts'
import { applyGrants } from '../../src/platform/database/grants.ts'
import { migrate } from '../../src/platform/database/migrate.ts'
import { silentLog } from '../../src/platform/log.ts'

/** What the test files are told about the suite's one cluster. */
export interface TestCluster {
  readonly adminUrl: string
  readonly ownerUrl: string
  readonly serviceUrl: string
}

declare module 'vitest' {
  interface ProvidedContext {
    cluster: TestCluster
  }
}

export const TEMPLATE = 'template_limitkeep'
export const migrationsDirectory = fileURLToPath(new URL('../../prisma/migrations', import.meta.url))

/** The same server and user, another database. */
export function onDatabase(url: string, database: string): string {
  const changed = new URL(url)
  changed.pathname = `/${database}`
  return changed.href
}

/**
 * Vitest's global set-up of the project `service`: one cluster for the suite, without fsync (a crash of the machine may
 * cost a test run, nothing else), with a migrated template that each test file clones. Gives the tear-down.
 */
export async function setup(project: TestProject): Promise<() => Promise<void>> {
  const directory = await mkdtemp(join(tmpdir(), 'limitkeep-tests-'))
  const embedded = await startEmbedded({
    directory,
    log: silentLog,
    durable: false,
    settings: { max_connections: '200', deadlock_timeout: '50ms', shared_buffers: '64MB', checkpoint_timeout: '1h' },
  })
  const admin = new pg.Client({ connectionString: embedded.adminUrl })
  await admin.connect()
  await admin.query(`CREATE DATABASE ${TEMPLATE} OWNER limitkeep_owner`)
  await admin.end()
  const ownerUrl = onDatabase(embedded.ownerUrl, TEMPLATE)
  const serviceUrl = onDatabase(embedded.serviceUrl, TEMPLATE)
  await migrate({ ownerUrl, directory: migrationsDirectory, log: silentLog })
  const { appendOnly } = await applyGrants({ ownerUrl, serviceUrl })
  if (appendOnly !== 'enforced') throw new Error('the template lets the service change what it appended')
  project.provide('cluster', {
    adminUrl: embedded.adminUrl,
    ownerUrl: embedded.ownerUrl,
    serviceUrl: embedded.serviceUrl,
  })
  return async () => {
    await embedded.stop()
    await rm(directory, { recursive: true, force: true })
  }
}
