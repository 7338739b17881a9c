import { once } from 'node:events'
import type { AddressInfo } from 'node:net'
import { afterEach, beforeEach, expect, test, vi } from 'vitest'
import { buildApp } from '../../src/app.ts'
import { receivedClock } from '../../src/platform/clock.ts'
import { createLog } from '../../src/platform/http/server.ts'
import { type Line, openLine } from '../support/line.ts'
import { ndjson, openBatch, push, type Read, read } from './batch-socket.ts'

/** How a batch ends that nobody ended: the sender falls silent, the service stops, or has no room for a while. */
let line: Line
let port: number

// Each on a service of its own: one is stopped, and none may see what another does to time or to the pool.
beforeEach(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 60_000)
  const { server } = line.service.app
  await server.listen({ port: 0, host: '127.0.0.1' })
  port = (server.server.address() as AddressInfo).port
})
afterEach(() => line?.service.close())

const open = () => openBatch(port, { token: line.station.token })
const made = (count: number) => Array.from({ length: count }, () => line.upload())
const accepted = (count: number) => Array.from({ length: count }, (_, index) => [index + 1, 201])
const statuses = (lines: Read['lines']) => lines.map((one) => [one.line, one.status])
const storedRuns = async () => {
  const [row] = await line.service.database.sql.query<{ runs: number; units: number }>(
    'SELECT count(*) AS runs, count(DISTINCT serial) AS units FROM intake.runs',
  )
  return row
}

test('a sender that falls silent ends the batch after half a minute; what had come whole is taken', async () => {
  vi.useFakeTimers({ toFake: ['setTimeout', 'clearTimeout'], shouldAdvanceTime: true })
  try {
    const socket = await open()
    const uploads = made(4)
    await push(socket, `${ndjson(uploads.slice(0, 3))}\n${JSON.stringify(uploads[3]).slice(0, 900)}`)
    await expect.poll(storedRuns, { timeout: 10_000 }).toEqual({ runs: 3, units: 3 })
    const reading = read(socket)
    await vi.advanceTimersByTimeAsync(15_000)
    expect(socket.closed).toBe(false)
    await vi.advanceTimersByTimeAsync(16_000)
    const { status, lines } = await reading
    expect(status).toBe(200)
    expect(statuses(lines.slice(0, 3))).toEqual(accepted(3))
    expect(lines.at(-1)).toMatchObject({ type: 'urn:limitkeep:problem:batch-incomplete', reason: 'idle' })
  } finally {
    vi.useRealTimers()
  }
}, 30_000)

test('a service that stops in the middle answers what it took, and the rest is taken when all is sent again', async () => {
  const uploads = made(600)
  const socket = await open()
  await push(socket, `${ndjson(uploads.slice(0, 550))}\n`)
  await expect.poll(storedRuns, { timeout: 20_000 }).toEqual({ runs: 550, units: 550 })
  const reading = read(socket)
  await line.service.app.close()
  const { status, lines } = await reading
  expect(status).toBe(200)
  expect(statuses(lines.slice(0, -1))).toEqual(accepted(550))
  expect(lines.at(-1)).toMatchObject({ reason: 'interrupted', detail: expect.stringMatching(/again/) })

  // Another process on the same database.
  const log = createLog('silent')
  const services = { database: line.service.database, received: receivedClock(line.service.clock), log }
  const readiness = async () => ({ database: 'answers', migrations: 'applied', appendOnly: 'enforced' }) as const
  const app = await buildApp({ services, log, secretsKey: new Uint8Array(32), readiness })
  try {
    await app.server.listen({ port: 0, host: '127.0.0.1' })
    port = (app.server.server.address() as AddressInfo).port
    const again = await open()
    await push(again, ndjson(uploads))
    again.write('0\r\n\r\n')
    const answered = await read(again)
    expect(statuses(answered.lines)).toEqual(accepted(600))
    expect(answered.lines.filter(({ repeated }) => repeated)).toHaveLength(550)
    expect(await storedRuns()).toEqual({ runs: 600, units: 600 })
  } finally {
    await app.close()
  }
}, 60_000)

test('a batch sent while the service stops is told to come again, and nothing of it is stored', async () => {
  let isStopping = false
  const log = createLog('silent')
  const services = { database: line.service.database, received: receivedClock(line.service.clock), log }
  const readiness = async () => ({ database: 'answers', migrations: 'applied', appendOnly: 'enforced' }) as const
  const app = await buildApp({
    services,
    log,
    secretsKey: new Uint8Array(32),
    readiness,
    isStopping: () => isStopping,
  })
  try {
    await app.server.listen({ port: 0, host: '127.0.0.1' })
    port = (app.server.server.address() as AddressInfo).port
    isStopping = true
    const socket = await open()
    await push(socket, ndjson(made(2)))
    socket.write('0\r\n\r\n')
    const { status, retryAfter, lines } = await read(socket)
    expect([status, retryAfter, lines[0].type]).toEqual([503, '5', 'urn:limitkeep:problem:stopping'])
    expect(await storedRuns()).toEqual({ runs: 0, units: 0 })
  } finally {
    await app.close()
  }
})

test('where the database has no room for a while, lines wait for it and each is taken once', async () => {
  const { pool } = line.service.database
  const connect = pool.connect.bind(pool) as (...given: unknown[]) => Promise<never>
  const uploads = made(20)
  const socket = await open()
  // The head is answered once the batch has begun, so what fails now is the taking of its lines.
  socket.resume()
  const [head] = await once(socket, 'data')
  socket.pause()
  expect(String(head)).toMatch(/^HTTP\/1.1 200 /)
  socket.unshift(head)
  let refusals = 0
  // Of transactions; a single statement gives a callback, and goes through.
  const spy = vi.spyOn(pool, 'connect').mockImplementation(((...given: unknown[]) => {
    if (given.length > 0 || refusals >= 3) return connect(...given)
    refusals += 1
    return Promise.reject(
      Object.assign(new Error('sorry, too many clients already'), { code: '53300', severity: 'FATAL' }),
    )
  }) as never)
  try {
    await push(socket, ndjson(uploads))
    socket.write('0\r\n\r\n')
    const { lines } = await read(socket)
    expect(refusals).toBe(3)
    expect(statuses(lines)).toEqual(accepted(20))
    expect(await storedRuns()).toEqual({ runs: 20, units: 20 })
  } finally {
    spy.mockRestore()
  }
}, 30_000)
