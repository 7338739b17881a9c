import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmod, mkdtemp, readdir, readFile, rm, stat, writeFile } from 'node:fs/promises'
import { connect } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { afterAll, afterEach, beforeAll, describe, expect, test } from 'vitest'
import { realClock } from '../src/platform/clock.ts'
import { createLog } from '../src/platform/http/server.ts'
import { readSecretsKey, type Service, startService } from '../src/service.ts'
import { readSettings } from '../src/settings.ts'
import { createTestDatabase, type TestDatabase } from './support/database.ts'

let directory: string
const databases: TestDatabase[] = []
const services: Service[] = []
const processes: ChildProcess[] = []

beforeAll(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-service-'))
})
afterEach(async () => {
  for (const child of processes.splice(0)) child.kill('SIGKILL')
  await Promise.all(services.splice(0).map((service) => service.stop()))
})
afterAll(async () => {
  await Promise.all(databases.map((database) => database.drop()))
  await rm(directory, { recursive: true })
})

/** An environment on an empty database: nothing migrated, no key. */
async function emptyEnvironment(): Promise<Record<string, string>> {
  const database = await createTestDatabase('template1')
  databases.push(database)
  return {
    DATABASE_URL: database.serviceUrl,
    DATABASE_OWNER_URL: database.ownerUrl,
    DATA_DIRECTORY: directory,
    PORT: '0',
    LOG_LEVEL: 'silent',
  }
}

async function start(env: Record<string, string>): Promise<Service> {
  const service = await startService(readSettings(env), { clock: realClock, log: createLog('silent') })
  services.push(service)
  return service
}

test('a first start migrates, makes the first key and is ready; the next finds everything there', async () => {
  const env = await emptyEnvironment()
  const first = await start(env)
  expect(first.url).toMatch(/^http:\/\/127\.0\.0\.1:\d+$/)
  const ready = await fetch(`${first.url}/readyz`)
  expect([ready.status, await ready.json()]).toEqual([
    200,
    { status: 'ready', database: 'answers', migrations: 'applied', appendOnly: 'enforced' },
  ])
  expect(first.administratorToken).toMatch(/^lk_/)
  const headers = { authorization: `Bearer ${first.administratorToken}` }
  expect((await fetch(`${first.url}/v1/keys`, { headers })).status).toBe(200)
  await first.stop()
  await first.stop()
  await expect(fetch(`${first.url}/livez`)).rejects.toThrow()

  const second = await start(env)
  expect(second.administratorToken).toBeUndefined()
  expect((await fetch(`${second.url}/v1/keys`, { headers })).status).toBe(200)
})

test('of two first starts at once one makes the key, and both serve', async () => {
  const env = await emptyEnvironment()
  const both = await Promise.all([start(env), start(env)])
  expect(both.filter((service) => service.administratorToken !== undefined)).toHaveLength(1)
  for (const service of both) expect((await fetch(`${service.url}/readyz`)).status).toBe(200)
})

test('who waits for events hears of an act from another process, and is let go when the service stops', async () => {
  const env = await emptyEnvironment()
  const [first, second] = [await start(env), await start(env)]
  const headers = { authorization: `Bearer ${first.administratorToken}`, 'content-type': 'application/json' }
  const events = async (query: string) => {
    const reply = await fetch(`${second.url}/v1/events?${query}`, { headers })
    return (await reply.json()) as { items: { kind: string }[]; nextCursor: string; atEnd: boolean }
  }
  const heard = events('wait=30&kinds=createSite')
  const site = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: '2026-01-01T00:00:00Z' }
  const body = JSON.stringify(site)
  expect((await fetch(`${first.url}/v1/sites`, { method: 'POST', headers, body })).status).toBe(201)
  const page = await heard
  expect(page.items).toMatchObject([{ kind: 'createSite' }])
  const { nextCursor } = page
  const waiting = events(`after=${nextCursor}&wait=30`)
  // A second request on another connection is answered after the first has arrived.
  expect((await fetch(`${second.url}/livez`)).status).toBe(200)
  const stoppedAt = performance.now()
  await second.stop()
  expect(performance.now() - stoppedAt).toBeLessThan(10_000)
  expect(await waiting).toEqual({ items: [], nextCursor, atEnd: true })
})

test('a client that stops in the middle of a request does not keep the service from stopping', async () => {
  const service = await start(await emptyEnvironment())
  const { port } = new URL(service.url)
  const socket = connect({ port: Number(port), host: '127.0.0.1' })
  socket.on('error', () => undefined)
  const closed = once(socket, 'close')
  const half = 'GET /livez HTTP/1.1\r\nhost: here\r\n\r\nGET /livez HTTP/1.1\r\nhost:'
  socket.write(half)
  await once(socket, 'data')
  await service.stop()
  await closed
  await expect(fetch(`${service.url}/livez`)).rejects.toThrow()
})

test('a service that lost a migration says it is not ready', async () => {
  const env = await emptyEnvironment()
  const service = await start(env)
  const { default: pg } = await import('pg')
  const owner = new pg.Client({ connectionString: env['DATABASE_OWNER_URL'] })
  await owner.connect()
  await owner.query('UPDATE public._prisma_migrations SET finished_at = NULL')
  await owner.end()
  const reply = await fetch(`${service.url}/readyz`)
  expect([reply.status, await reply.json()]).toEqual([
    503,
    { status: 'not-ready', database: 'answers', migrations: 'missing', appendOnly: 'enforced' },
  ])
})

test('a start that fails leaves nothing running', async () => {
  const env = await emptyEnvironment()
  const service = await start(env)
  const port = new URL(service.url).port
  await expect(start({ ...env, PORT: port })).rejects.toThrow(/EADDRINUSE/)
  expect((await fetch(`${service.url}/livez`)).status).toBe(200)
  await expect(start({ ...env, DATABASE_URL: 'postgresql://nobody@127.0.0.1:1/none' })).rejects.toThrow()
})

test('the secrets key is made once, readable by its owner alone, also where starts race', async () => {
  const own = await mkdtemp(join(tmpdir(), 'limitkeep-secrets-'))
  const keys = await Promise.all([1, 2, 3, 4].map(() => readSecretsKey(own)))
  expect(new Set(keys.map((key) => Buffer.from(key).toString('hex'))).size).toBe(1)
  expect(keys[0]).toHaveLength(32)
  expect(await readdir(own)).toEqual(['secrets.key'])
  const path = join(own, 'secrets.key')
  expect((await stat(path)).mode & 0o777).toBe(0o600)
  await chmod(path, 0o600)
  await writeFile(path, 'short')
  await expect(readSecretsKey(own)).rejects.toThrow(/32 bytes/)
  await rm(own, { recursive: true })
})

/** The service as its own process, with what it printed so far. */
function spawnMain(env: Record<string, string>) {
  const main = fileURLToPath(new URL('../src/main.ts', import.meta.url))
  const child = spawn(process.execPath, ['--import', 'tsx', main], { env: { PATH: process.env['PATH'], ...env } })
  processes.push(child)
  const printed = { out: '', error: '' }
  child.stdout.on('data', (chunk) => {
    printed.out += String(chunk)
  })
  child.stderr.on('data', (chunk) => {
    printed.error += String(chunk)
  })
  const ended = new Promise<number | null>((resolve) => child.once('exit', resolve))
  return { child, printed, ended }
}

test('the process prints the first key once and ends by SIGTERM within ten seconds', async () => {
  const { child, printed, ended } = spawnMain({ ...(await emptyEnvironment()), LOG_LEVEL: 'info' })
  await expect.poll(() => printed.out, { timeout: 25_000, interval: 50 }).toMatch(/shown this once: lk_/)
  // The log comes in its own time.
  await expect.poll(() => printed.out, { timeout: 5_000, interval: 50 }).toMatch(/"url":"[^"]+"/)
  const url = /"url":"([^"]+)"/.exec(printed.out)?.[1]
  expect((await fetch(`${url}/livez`)).status).toBe(200)
  const askedAt = performance.now()
  child.kill('SIGTERM')
  expect(await ended).toBe(0)
  expect(performance.now() - askedAt).toBeLessThan(10_000)
  expect(printed.out.match(/lk_/g)).toHaveLength(1)
})

describe('with the embedded database', () => {
  test('SIGINT three times at once stops it too, while running and while still starting', async () => {
    const own = await mkdtemp(join(tmpdir(), 'limitkeep-embedded-'))
    const env = { DATA_DIRECTORY: own, PORT: '0', LOG_LEVEL: 'info' }
    const lockFile = async () => {
      const names = await readdir(own, { recursive: true })
      const name = names.find((path) => path.endsWith('postmaster.pid'))
      return name === undefined ? undefined : Number((await readFile(join(own, name), 'utf8')).split('\n')[0])
    }
    const interrupt = async ({ child, ended }: ReturnType<typeof spawnMain>) => {
      for (let times = 0; times < 3; times += 1) child.kill('SIGINT')
      return await ended
    }
    try {
      const running = spawnMain(env)
      await expect.poll(() => running.printed.out, { timeout: 25_000, interval: 20 }).toMatch(/Limitkeep is ready/)
      const server = await lockFile()
      expect(isRunning(server)).toBe(true)
      expect(await interrupt(running)).toBe(0)
      expect([isRunning(server), await lockFile()]).toEqual([false, undefined])

      const starting = spawnMain(env)
      await expect.poll(lockFile, { timeout: 25_000, interval: 5 }).toBeTypeOf('number')
      const next = await lockFile()
      await interrupt(starting)
      expect([isRunning(next), await lockFile()]).toEqual([false, undefined])
    } finally {
      await rm(own, { recursive: true, force: true })
    }
  })
})

/** Whether there is a process of this number. */
function isRunning(pid: number | undefined): boolean {
  if (pid === undefined) return false
  try {
    return process.kill(pid, 0)
  } catch {
    return false
  }
}

describe('a start that fails prints one sentence and no stack', () => {
  const cases: [string, () => Promise<Record<string, string>>, RegExp][] = [
    ['where a setting is wrong', async () => ({ PORT: 'eighty' }), /PORT/],
    [
      'where no database answers',
      async () => ({ DATABASE_URL: 'postgresql://nobody@127.0.0.1:1/none' }),
      /could not be brought up to date.* Because: .*ECONNREFUSED/,
    ],
    [
      'where the port is taken',
      async () => {
        const env = await emptyEnvironment()
        const service = await start(env)
        return { ...env, PORT: new URL(service.url).port }
      },
      /EADDRINUSE/,
    ],
  ]
  test.each(cases)('%s', async (_, environment, because) => {
    const { printed, ended } = spawnMain({ DATA_DIRECTORY: directory, PORT: '0', ...(await environment()) })
    expect(await ended).toBe(1)
    expect(printed.error).toMatch(/^Limitkeep could not start: [^\n]+\n(?: {2}[A-Z_]+: [^\n]+\n)*$/)
    expect(printed.error).toMatch(because)
    for (const text of [printed.out, printed.error]) expect(text).not.toMatch(/\bat .*\.ts:\d+|node_modules/)
  })
})
