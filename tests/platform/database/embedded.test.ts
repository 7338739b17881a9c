import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmod, mkdtemp, readFile, rm, stat, writeFile } from 'node:fs/promises'
import { tmpdir, userInfo } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { fileURLToPath } from 'node:url'
import pg from 'pg'
import { afterEach, beforeEach, describe, expect, test } from 'vitest'
import { realClock } from '../../../src/platform/clock.ts'
import { type Embedded, startEmbedded } from '../../../src/platform/database/embedded.ts'
import { openDatabase } from '../../../src/platform/database/pool.ts'
import { inTransaction } from '../../../src/platform/database/transaction.ts'
import { silentLog } from '../../../src/platform/log.ts'

const SCRIPT = fileURLToPath(new URL('../../support/embedded-child.ts', import.meta.url))
const PROJECT = fileURLToPath(new URL('../../..', import.meta.url))

let directory: string
/** What a test started and must not outlive it. */
let running: (() => Promise<unknown>)[] = []
beforeEach(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-embedded-'))
})
afterEach(async () => {
  for (const stop of running.reverse()) await stop()
  running = []
  await rm(directory, { recursive: true, force: true })
})

async function start(): Promise<Embedded> {
  const embedded = await startEmbedded({ directory, log: silentLog })
  running.push(() => embedded.stop())
  return embedded
}

interface Writer {
  readonly child: ChildProcess
  readonly embedded: Embedded
  /** The last number whose commit was acknowledged. */
  last(): number
}

/** Another Node process, on this or another user's account, that starts the database and writes. */
async function startWriter(options: { uid?: number; gid?: number; mode?: string } = {}): Promise<Writer> {
  const { mode = 'write', ...user } = options
  const child = spawn('node', ['--import', 'tsx', SCRIPT, directory, mode], {
    cwd: PROJECT,
    stdio: ['ignore', 'pipe', 'inherit'],
    ...user,
  })
  running.push(async () => child.kill('SIGKILL'))
  let last = 0
  const first = await new Promise<string>((resolve, reject) => {
    child.once('error', reject)
    child.once('exit', () => reject(new Error('the writer ended without a word')))
    createInterface({ input: child.stdout }).on('line', (line) => {
      if (line.startsWith('{')) resolve(line)
      else last = Number(line)
    })
  })
  return { child, embedded: JSON.parse(first), last: () => last }
}

async function kill(child: ChildProcess): Promise<void> {
  const exited = once(child, 'exit')
  child.kill('SIGKILL')
  await exited
}

/** The server's process, by its lock file. */
async function serverPid(): Promise<number> {
  return Number((await readFile(join(directory, 'postgres', 'postmaster.pid'), 'utf8')).split('\n')[0])
}

/** A process that ended but was not yet asked for by its parent is listed still; it is not alive. */
async function isAlive(pid: number): Promise<boolean> {
  try {
    process.kill(pid, 0)
  } catch {
    return false
  }
  const status = await readFile(`/proc/${pid}/stat`, 'utf8').catch(() => '')
  return !/\) Z /.test(status)
}

async function written(url: string): Promise<number[]> {
  const client = new pg.Client({ connectionString: url })
  await client.connect()
  try {
    const rows = await client.query<{ number: number }>('SELECT number FROM written ORDER BY number')
    return rows.rows.map((row) => row.number)
  } finally {
    await client.end()
  }
}

const upTo = (count: number) => Array.from({ length: count }, (_, index) => index + 1)
const modeOf = async (path: string) => ((await stat(path)).mode & 0o777).toString(8)

describe('the embedded database', () => {
  test('is closed to others, and comes back with its data', async () => {
    const first = await startEmbedded({ directory, log: silentLog })
    const owner = new pg.Client({ connectionString: first.ownerUrl })
    await owner.connect()
    await owner.query('CREATE TABLE written (number int); INSERT INTO written VALUES (1)')
    const settings = await owner.query(
      `SELECT current_setting('TimeZone') AS zone, current_setting('listen_addresses') AS listens, current_setting('fsync') AS fsync,
              current_setting('server_encoding') AS encoding, datcollate, datlocprovider, datlocale,
              rolsuper, current_user AS role
       FROM pg_database, pg_roles WHERE datname = 'limitkeep' AND rolname = current_user`,
    )
    await owner.end()
    expect(settings.rows).toEqual([
      {
        zone: 'UTC',
        listens: '127.0.0.1',
        fsync: 'on',
        encoding: 'UTF8',
        datcollate: 'C',
        datlocprovider: 'b',
        datlocale: 'C.UTF-8',
        rolsuper: false,
        role: 'limitkeep_owner',
      },
    ])
    const pid = await serverPid()
    await first.stop()
    await expect.poll(() => isAlive(pid)).toBe(false)
    expect(await modeOf(join(directory, 'postgres'))).toBe('700')
    expect(await modeOf(join(directory, 'postgres-passwords.json'))).toBe('600')
    const second = await start()
    expect(await written(second.ownerUrl)).toEqual([1])
    const wrongPassword = second.serviceUrl.replace(/:[^:@]+@/, ':wrong@')
    await expect(written(wrongPassword)).rejects.toThrow('password authentication failed')
  })

  test('survives kill -9 of the service: the next start adopts the server, and stops it in the end', async () => {
    const writer = await startWriter()
    await expect.poll(writer.last).toBeGreaterThan(20)
    const pid = await serverPid()
    await kill(writer.child)
    expect(await isAlive(pid)).toBe(true)
    const adopted = await startEmbedded({ directory, log: silentLog })
    expect(adopted.serviceUrl).toBe(writer.embedded.serviceUrl)
    expect(await serverPid()).toBe(pid)
    const rows = await written(adopted.ownerUrl)
    // Acknowledged is durable; one more may have been committed without its answer arriving.
    expect(rows).toEqual(upTo(rows.length))
    expect(rows.length).toBeGreaterThanOrEqual(writer.last())
    await adopted.stop()
    await expect.poll(() => isAlive(pid)).toBe(false)
  })

  test.each(['service', 'server'])('survives kill -9 of both, the %s first: the next start recovers', async (first) => {
    const writer = await startWriter()
    await expect.poll(writer.last).toBeGreaterThan(20)
    const pid = await serverPid()
    if (first === 'service') await kill(writer.child)
    process.kill(pid, 'SIGKILL')
    if (first === 'server') await kill(writer.child)
    const next = await start()
    const rows = await written(next.ownerUrl)
    expect(rows).toEqual(upTo(rows.length))
    expect(rows.length).toBeGreaterThanOrEqual(writer.last())
    expect(await serverPid()).not.toBe(pid)
  })

  test('survives kill -9 of the server, again and again: the pool fails, then goes on at the same address', async () => {
    const embedded = await start()
    const database = await openDatabase({ serviceUrl: embedded.ownerUrl, clock: realClock, log: silentLog, poolMax: 2 })
    running.push(() => database.close())
    await database.sql.query('CREATE TABLE written (number int PRIMARY KEY)')
    for (let number = 1; number <= 3; number += 1) {
      await database.sql.query('INSERT INTO written VALUES ($1)', [number])
      const pid = await serverPid()
      process.kill(pid, 'SIGKILL')
      const refused: unknown[] = []
      let rows: unknown[] = []
      const deadline = Date.now() + 20_000
      // From the kill on, until a new server answers: asking all the while, as a line of stations does.
      while (Date.now() < deadline && ((await isAlive(pid)) || refused.length === 0 || rows.length === 0)) {
        rows = await inTransaction(database, (sql) => sql.query('SELECT number FROM written')).catch(
          (error: unknown) => {
            refused.push(error)
            return []
          },
        )
      }
      expect(rows).toHaveLength(number)
      expect(refused.length).toBeGreaterThan(0)
      for (const error of refused) expect(error).toMatchObject({ key: 'overloaded' })
    }
  })

  test('is minded by one process: a second is refused and disturbs nothing', async () => {
    const embedded = await start()
    const pid = await serverPid()
    await expect(startEmbedded({ directory, log: silentLog })).rejects.toThrow(
      'Another process of this service is running',
    )
    expect(await serverPid()).toBe(pid)
    await expect(written(embedded.ownerUrl)).rejects.toThrow('"written" does not exist')
  })

  test('two first starts at once make one cluster', async () => {
    const [one, two] = await Promise.allSettled([1, 2].map(() => startEmbedded({ directory, log: silentLog })))
    const started = [one, two].flatMap((result) => (result?.status === 'fulfilled' ? [result.value] : []))
    for (const embedded of started) running.push(() => embedded.stop())
    expect(started).toHaveLength(1)
    expect([one, two].find((result) => result?.status === 'rejected')).toMatchObject({
      reason: { message: expect.stringContaining('Another process') },
    })
  })

  test('tells why it does not start, in the words of the server', async () => {
    const wrong = startEmbedded({ directory, log: silentLog, settings: { no_such_setting: '1' } })
    await expect(wrong).rejects.toThrow(/did not start[\s\S]*no_such_setting/)
    const embedded = await startEmbedded({ directory, log: silentLog })
    await embedded.stop()
    await writeFile(join(directory, 'postgres', 'PG_VERSION'), '17\n')
    await expect(startEmbedded({ directory, log: silentLog })).rejects.toThrow('was made by PostgreSQL 17')
    await writeFile(join(directory, 'postgres-passwords.json'), 'null')
    await expect(startEmbedded({ directory, log: silentLog })).rejects.toThrow('does not hold the three passwords')
    await rm(join(directory, 'postgres-passwords.json'))
    await expect(startEmbedded({ directory, log: silentLog })).rejects.toThrow('postgres-passwords.json is missing')
  })

  test('runs as an ordinary user', async () => {
    const self = userInfo()
    if (self.uid !== 0) {
      // The suite itself runs as one.
      await start()
      expect((await stat(join(directory, 'postgres'))).uid).toBe(self.uid)
      return
    }
    const nobody = { uid: 65_534, gid: 65_534 }
    await chmod(directory, 0o777)
    const writer = await startWriter({ ...nobody, mode: 'once' })
    expect(writer.embedded).toMatchObject({ serviceUrl: expect.stringContaining('limitkeep_app') })
    if (writer.child.exitCode === null) await once(writer.child, 'exit')
    expect(writer.child.exitCode).toBe(0)
    expect((await stat(join(directory, 'postgres'))).uid).toBe(nobody.uid)
  })
})
