import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { rm } from 'node:fs/promises'
import { createServer } from 'node:net'
import { platform } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import pg from 'pg'
import type { Log } from '../log.ts'
import { type ClusterFiles, readIfThere, roles } from './embedded-cluster.ts'
import type { Installation } from './embedded-install.ts'
import { failureOf } from './errors.ts'

/** One server process that is a child of ours. */
export interface Server {
  readonly port: number
  isRunning(): boolean
  /** It ended of its own accord without ever having been ready, so it has a reason; not so one that was killed. */
  hasRefused(): boolean
  /** The last lines it said; its reasons, when it did not start. */
  lastWords(): string
  /** Asks it to end its sessions and stop, and waits for its end. */
  end(): Promise<void>
  /** Leaves it to another process. */
  letGo(): void
}

const LINES_KEPT = 40

/** Starts the server's process; it may take a while to answer, or end with its reasons among its last words. */
export async function spawnServer(
  installation: Installation,
  files: ClusterFiles,
  options: { port: number; settings: Readonly<Record<string, string>>; log: Log },
): Promise<Server> {
  const wanted = {
    listen_addresses: '127.0.0.1',
    unix_socket_directories: '',
    timezone: 'UTC',
    log_timezone: 'UTC',
    ...options.settings,
  }
  const parameters = Object.entries(wanted).flatMap(([name, value]) => ['-c', `${name}=${value}`])
  const child = spawn(installation.postgres, ['-D', files.cluster, '-p', String(options.port), ...parameters], {
    ...installation.spawnOptions(files.cluster),
    // A session of its own: the terminal's Ctrl-C goes to the service, which drains before it stops the server.
    detached: platform() !== 'win32',
    stdio: ['ignore', 'pipe', 'pipe'],
  })
  const lines: string[] = []
  let wasReady = false
  for (const stream of [child.stdout, child.stderr]) {
    if (!stream) continue
    createInterface({ input: stream }).on('line', (line) => {
      lines.push(line)
      wasReady ||= line.endsWith('database system is ready to accept connections')
      if (lines.length > LINES_KEPT) lines.shift()
      options.log.debug({ line }, 'The embedded database said a line.')
    })
  }
  // Rejects where the program cannot be started at all.
  await once(child, 'spawn')
  child.on('error', (error) => lines.push(error.message))
  const isRunning = () => child.exitCode === null && child.signalCode === null
  return {
    port: options.port,
    isRunning,
    hasRefused: () => child.exitCode !== null && !wasReady,
    lastWords: () => lines.join('\n'),
    async end() {
      if (!isRunning()) return
      const ended = once(child, 'exit')
      child.kill('SIGINT')
      await ended
    },
    letGo: () => letGo(child),
  }
}

function letGo(child: ChildProcess): void {
  child.unref()
  child.stdout?.destroy()
  child.stderr?.destroy()
}

/** A session of the superuser, if a server of this very cluster answers at `port`. */
export async function connectAsAdmin(files: ClusterFiles, port: number): Promise<pg.Client | 'absent' | 'recovering'> {
  const client = new pg.Client({
    host: '127.0.0.1',
    port,
    user: roles.admin,
    password: files.passwords.admin,
    database: 'postgres',
    application_name: 'limitkeep minder',
    connectionTimeoutMillis: 5_000,
    keepAlive: true,
  })
  // A lost session shows by its end; the event alone, unheard, would end the process.
  client.on('error', () => undefined)
  try {
    await client.connect()
    const answer = await client.query<{ data_directory: string }>('SHOW data_directory')
    if (answer.rows[0]?.data_directory === files.cluster) return client
  } catch (error) {
    await client.end().catch(() => undefined)
    if (failureOf(error)?.sqlState === '57P03') return 'recovering'
    // Another service may have this port by now and refuse our password; then ours is not there.
    return 'absent'
  }
  await client.end()
  return 'absent'
}

/**
 * Stops whichever server runs on the cluster, a child of ours or an adopted one: ends sessions, writes a checkpoint,
 * waits for the end. A server that is not there is no error.
 */
export async function stopServer(installation: Installation, files: ClusterFiles): Promise<void> {
  try {
    const parameters = ['stop', '-D', files.cluster, '-m', 'fast', '-w', '-t', '60']
    await installation.run(installation.pgCtl, parameters, files.directory)
  } catch (error) {
    // Killed before, or between our look and the stop: what matters is that nothing answers any more.
    const port = await readPort(files.cluster)
    const found = port === undefined ? 'absent' : await connectAsAdmin(files, port)
    if (found instanceof pg.Client) await found.end()
    if (found !== 'absent') throw error
  }
}

/** The port in the server's lock file (its fourth line), which a killed server leaves behind. */
export async function readPort(cluster: string): Promise<number | undefined> {
  const port = Number((await readIfThere(join(cluster, 'postmaster.pid')))?.split('\n')[3])
  return Number.isInteger(port) && port > 0 ? port : undefined
}

/**
 * Takes away the lock file of a server that was killed and whose parent, killed as well, never asked for its end. The
 * system lists such a process although it is dead, and a new server would wait for it for ever. On Linux only, where
 * this can be told for certain; a new server still refuses to start beside live children of the old one.
 */
export async function removeLockOfDead(cluster: string): Promise<void> {
  const lock = join(cluster, 'postmaster.pid')
  const pid = (await readIfThere(lock))?.split('\n')[0]
  if (pid === undefined || !/^\d+$/.test(pid)) return
  // The state is the letter behind the name in brackets, which may hold anything.
  const status = await readIfThere(`/proc/${pid}/stat`)
  if (status?.slice(status.lastIndexOf(')') + 2, status.lastIndexOf(')') + 3) === 'Z') await rm(lock, { force: true })
}

/** A port of 127.0.0.1 that nobody uses at this moment. */
export async function freePort(): Promise<number> {
  const server = createServer()
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const address = server.address()
  server.close()
  await once(server, 'close')
  if (address === null || typeof address === 'string') throw new Error('the system gave no free port')
  return address.port
}
