import { randomBytes } from 'node:crypto'
import { link, mkdir, open, readdir, readFile, rm } from 'node:fs/promises'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import type { Logger } from 'pino'
import { bootstrapAdministrator } from './access/acts.ts'
import { type App, buildApp, type Readiness } from './app.ts'
import { startImpacts } from './impact/job.ts'
import { startSequencer } from './ledger/job.ts'
import { feedEnd } from './ledger/reads-end.ts'
import { startSweep } from './plans/job.ts'
import { type Clock, receivedClock } from './platform/clock.ts'
import { startEmbedded } from './platform/database/embedded.ts'
import { applyGrants } from './platform/database/grants.ts'
import { listen } from './platform/database/listen.ts'
import { migrate, withOwner } from './platform/database/migrate.ts'
import { ensureComingMonths } from './platform/database/partitions.ts'
import { type Database, openDatabase } from './platform/database/pool.ts'
import { startReconciler } from './platform/reconcile.ts'
import type { Settings } from './settings.ts'
import { startStudies } from './studies/job.ts'

/** A running service in this process. */
export interface Service {
  /** Where it listens, such as http://127.0.0.1:8080. */
  readonly url: string
  readonly app: App
  readonly database: Database
  /** The first administrator's token, where this start made it: no key had been stored. Show it once. */
  readonly administratorToken: string | undefined
  /** Takes no new work, finishes what is under way, and stops what was started. Safe to call twice. */
  stop(): Promise<void>
}

export interface StartOptions {
  readonly clock: Clock
  readonly log: Logger
}

// The migrations lie beside the code, whether it runs from src or from dist.
const MIGRATIONS = fileURLToPath(new URL('../prisma/migrations', import.meta.url))
const DAY_MS = 86_400_000
const SECRETS_KEY_BYTES = 32

/**
 * Starts the whole service: the database (embedded where none is named), migrations, grants, partitions, the first
 * administrator, and HTTP. What was started is stopped again where a later step fails.
 */
export async function startService(settings: Settings, options: StartOptions): Promise<Service> {
  const { clock, log } = options
  const undo: (() => Promise<unknown>)[] = []
  let stopping: Promise<void> | undefined
  const stop = () => {
    stopping ??= stopInOrder(undo, log)
    return stopping
  }
  try {
    const urls = settings.database ?? (await embeddedUrls(settings, log, undo))
    await migrate({ ownerUrl: urls.ownerUrl, directory: MIGRATIONS, log }).catch((cause: unknown) => {
      throw new Error('The database could not be brought up to date; DATABASE_OWNER_URL or DATABASE_URL names it.', {
        cause,
      })
    })
    const { appendOnly } = await applyGrants(urls)
    if (appendOnly === 'not-enforced') {
      log.warn({}, 'The database user may change appended rows; name an owner of its own in DATABASE_OWNER_URL.')
    }
    const database = await openDatabase({ serviceUrl: urls.serviceUrl, clock, log })
    undo.push(() => database.close())
    await ensureComingMonths(database)
    const months = startReconciler({
      name: 'coming months',
      everyMs: DAY_MS,
      log,
      step: async () => {
        await ensureComingMonths(database)
        return 'settled'
      },
    })
    undo.push(() => months.stop())
    // Under the migration lock, so that of several first starts one prints a key.
    const issued = await withOwner(urls.ownerUrl, () => bootstrapAdministrator(database))
    const received = receivedClock(clock)
    received.observe(await databaseNow(database))
    const sweep = startSweep(database, log)
    undo.push(() => sweep.stop())
    const studies = startStudies(database, log)
    undo.push(() => studies.stop())
    const impacts = startImpacts(database, log)
    undo.push(() => impacts.stop())
    const end = feedEnd()
    const sequencer = startSequencer(database, end, log)
    undo.push(() => sequencer.stop())
    const onNotice = () => {
      sweep.nudge()
      sequencer.nudge()
    }
    const notices = listen({ url: urls.serviceUrl, channel: 'gate', log, onNotice })
    undo.push(() => notices.stop())
    const app = await buildApp({
      services: { database, received, log, nudgeSweep: () => sweep.nudge() },
      log,
      secretsKey: settings.secretsKey ?? (await readSecretsKey(settings.dataDirectory)),
      readiness: readinessOf(database, appendOnly),
      feedEnd: end,
      isStopping: () => stopping !== undefined,
    })
    undo.push(() => app.close())
    await app.server.listen({ host: settings.host, port: settings.port })
    const url = urlOf(app, settings.host)
    log.info({ url }, 'Limitkeep is ready.')
    return { url, app, database, administratorToken: issued?.token, stop }
  } catch (error) {
    await stop()
    throw error
  }
}

async function embeddedUrls(settings: Settings, log: Logger, undo: (() => Promise<unknown>)[]) {
  const embedded = await startEmbedded({ directory: settings.dataDirectory, log })
  undo.push(() => embedded.stop())
  return embedded
}

/** Latest started, first stopped. A step that fails is told and does not keep the others from stopping. */
async function stopInOrder(undo: readonly (() => Promise<unknown>)[], log: Logger): Promise<void> {
  for (const step of [...undo].reverse()) {
    try {
      await step()
    } catch (error) {
      log.error({ err: error }, 'Something would not stop.')
    }
  }
}

async function databaseNow(database: Database): Promise<number> {
  const [row] = await database.sql.query<{ now: number }>(
    'SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now',
  )
  if (row === undefined) {
    throw new Error('the database did not tell the time')
  }
  return row.now
}

/** Asks the database each time; `missing` where a migration of this release is not finished there. */
export function readinessOf(database: Database, appendOnly: Readiness['appendOnly']): () => Promise<Readiness> {
  return async () => {
    try {
      const names = (await readdir(MIGRATIONS, { withFileTypes: true })).filter((entry) => entry.isDirectory())
      const finished = await database.sql.query<{ migration_name: string }>(
        'SELECT migration_name FROM public._prisma_migrations WHERE finished_at IS NOT NULL AND rolled_back_at IS NULL',
      )
      const there = new Set(finished.map((row) => row.migration_name))
      const migrations = names.every((entry) => there.has(entry.name)) ? 'applied' : 'missing'
      return { database: 'answers', migrations, appendOnly }
    } catch (error) {
      database.log.warn({ err: error }, 'The database did not answer the readiness check.')
      return { database: 'unreachable', migrations: 'unknown', appendOnly }
    }
  }
}

/**
 * The key that seals secrets for one-time codes, from `secrets.key` beside the data; made there at the first start. The
 * file appears whole or not at all, so that two first starts agree on one key.
 */
export async function readSecretsKey(directory: string): Promise<Uint8Array> {
  const path = join(directory, 'secrets.key')
  await mkdir(directory, { recursive: true, mode: 0o700 })
  const known = await readKeyFile(path)
  if (known !== undefined) {
    return known
  }
  const draft = `${path}.${randomBytes(6).toString('hex')}`
  const file = await open(draft, 'wx', 0o600)
  try {
    await file.writeFile(`${randomBytes(SECRETS_KEY_BYTES).toString('base64')}\n`)
    await file.sync()
  } finally {
    await file.close()
  }
  try {
    await link(draft, path)
  } catch (error) {
    if (!isCode(error, 'EEXIST')) {
      throw error
    }
  } finally {
    await rm(draft)
  }
  const made = await readKeyFile(path)
  if (made === undefined) {
    throw new Error(`${path} was made and is gone`)
  }
  return made
}

async function readKeyFile(path: string): Promise<Uint8Array | undefined> {
  try {
    const key = Buffer.from((await readFile(path, 'utf8')).trim(), 'base64')
    if (key.length !== SECRETS_KEY_BYTES) {
      throw new Error(`${path} does not hold ${SECRETS_KEY_BYTES} bytes in base64; put back the file as it was`)
    }
    return new Uint8Array(key)
  } catch (error) {
    if (isCode(error, 'ENOENT')) {
      return undefined
    }
    throw error
  }
}

function isCode(error: unknown, code: string): boolean {
  return error instanceof Error && 'code' in error && error.code === code
}

function urlOf(app: App, host: string): string {
  const address = app.server.server.address() as AddressInfo
  return `http://${host.includes(':') ? `[${host}]` : host}:${address.port}`
}
