import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { rm } from 'node:fs/promises'
import { createServer } from 'node:net'
import { setTimeout as wait } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { median, PAIRS, shown } from './figures.ts'
import { benchDirectory } from './line.ts'
import type { Bench } from './words.ts'

const PROJECT = fileURLToPath(new URL('../../../', import.meta.url))
const READY_TIME_MAX_MS = 60_000
const LOOK_EVERY_MS = 20

/** From `npm start` to the first `/readyz` that says ready, on a data folder that is there; the first start makes it. */
export const start: Bench = async (tell) => {
  const directory = await benchDirectory()
  try {
    tell(`First start, which makes the database: ${((await startOnce(directory)) / 1_000).toFixed(2)} s.`)
    const seconds: number[] = []
    for (let number = 1; number <= PAIRS; number += 1) {
      const took = (await startOnce(directory)) / 1_000
      seconds.push(took)
      tell(`  ${number}: ready after ${took.toFixed(2)} s`)
    }
    return { readySeconds: shown(median(seconds)) }
  } finally {
    await rm(directory, { recursive: true, force: true })
  }
}

/** Milliseconds until the service is ready; it is stopped again. */
async function startOnce(directory: string): Promise<number> {
  const port = await freePort()
  const { DATABASE_URL: _url, DATABASE_OWNER_URL: _ownerUrl, ...environment } = process.env
  const beganAt = performance.now()
  const service = spawn('npm', ['start'], {
    cwd: PROJECT,
    env: { ...environment, DATA_DIRECTORY: directory, PORT: String(port), LOG_LEVEL: 'warn' },
    stdio: ['ignore', 'ignore', 'inherit'],
    // A group of its own, so that what npm starts is stopped with it.
    detached: true,
  })
  try {
    await untilReady(service, port)
    return performance.now() - beganAt
  } finally {
    await stop(service)
  }
}

async function untilReady(service: ChildProcess, port: number): Promise<void> {
  for (const beganAt = performance.now(); performance.now() - beganAt < READY_TIME_MAX_MS; ) {
    if (service.exitCode !== null) throw new Error(`npm start ended with ${service.exitCode}`)
    if (await isReady(port)) return
    await wait(LOOK_EVERY_MS)
  }
  throw new Error('the service did not become ready')
}

async function isReady(port: number): Promise<boolean> {
  try {
    return (await fetch(`http://127.0.0.1:${port}/readyz`)).ok
  } catch {
    return false // It does not listen yet.
  }
}

async function stop(service: ChildProcess): Promise<void> {
  if (service.exitCode !== null || service.pid === undefined) return
  const ended = once(service, 'exit')
  process.kill(-service.pid, 'SIGTERM')
  await ended
}

async function freePort(): Promise<number> {
  const server = createServer()
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const address = server.address()
  server.close()
  await once(server, 'close')
  if (address === null || typeof address === 'string') throw new Error('no port was given')
  return address.port
}
