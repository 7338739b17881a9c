import { PassThrough } from 'node:stream'
import type { InjectOptions } from 'fastify'
import { bootstrapAdministrator } from '../../src/access/acts.ts'
import { readBase32 } from '../../src/access/base32.ts'
import { hotp, timeStep } from '../../src/access/signature.ts'
import type { KeyDraft, Role } from '../../src/access/words.ts'
import { type App, buildApp } from '../../src/app.ts'
import { type FixedClock, receivedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { createLog } from '../../src/platform/http/server.ts'
import { clockAt } from './clock.ts'
import { openTestDatabase, type TestDatabase } from './database.ts'

/** An answer as tests look at it. */
export interface Answer {
  readonly status: number
  readonly headers: Readonly<Record<string, unknown>>
  // biome-ignore lint/suspicious/noExplicitAny: tests look into bodies of every shape.
  readonly body: any
}

/** One sender: every request carries its key and what was given along. */
export interface Client {
  readonly token: string
  get(url: string, headers?: Record<string, string>): Promise<Answer>
  post(url: string, body?: unknown, headers?: Record<string, string>): Promise<Answer>
  put(url: string, body?: unknown, headers?: Record<string, string>): Promise<Answer>
}

/** A person who has fetched the secret and can make codes, as an authenticator does. */
export interface Signer extends Client {
  readonly person: string
  /** The code of the clock's present time step, or of one so many steps away. */
  code(stepsAway?: number): string
}

export interface TestApp {
  readonly app: App
  readonly database: Database
  readonly urls: TestDatabase
  /** Stands still; move it by `clock.at += 1`. */
  readonly clock: FixedClock
  /** Everything logged so far, one JSON object a line. */
  readonly logged: () => string
  readonly administrator: Client
  as(token: string): Client
  person(person: string, roles: readonly Role[]): Promise<Client>
  signer(person: string, roles: readonly Role[]): Promise<Signer>
  key(draft: KeyDraft): Promise<Client>
  close(): Promise<void>
}

/** The app on a database of its own, with answers checked against their schemas, and its first administrator. */
export async function openTestApp(startsAt = '2026-03-16T09:00:00.000Z', poolMax = 4): Promise<TestApp> {
  const clock = clockAt(startsAt)
  const { database, urls, close } = await openTestDatabase(clock, { poolMax })
  const lines: string[] = []
  const sink = new PassThrough()
  sink.on('data', (chunk) => lines.push(String(chunk)))
  const log = createLog('debug', sink)
  const app = await buildApp({
    services: { database, received: receivedClock(clock), log },
    log,
    secretsKey: new Uint8Array(32).fill(7),
    readiness: async () => ({ database: 'answers', migrations: 'applied', appendOnly: 'enforced' }),
    checkAnswers: true,
  })
  const issued = await bootstrapAdministrator(database)
  if (issued === undefined) throw new Error('a fresh database already had a key')
  const as = (token: string): Client => {
    const send = async (
      method: 'GET' | 'POST' | 'PUT',
      url: string,
      body: unknown,
      headers: Record<string, string>,
    ) => {
      const request: InjectOptions = { method, url, headers: { authorization: `Bearer ${token}`, ...headers } }
      if (body !== undefined) {
        request.payload = typeof body === 'string' ? body : JSON.stringify(body)
        request.headers = { 'content-type': 'application/json', ...request.headers }
      }
      const reply = await app.server.inject(request)
      const isJson = String(reply.headers['content-type'] ?? '').includes('json')
      return { status: reply.statusCode, headers: reply.headers, body: isJson ? reply.json() : reply.body }
    }
    return {
      token,
      get: (url, headers = {}) => send('GET', url, undefined, headers),
      post: (url, body, headers = {}) => send('POST', url, body, headers),
      put: (url, body, headers = {}) => send('PUT', url, body, headers),
    }
  }
  const administrator = as(issued.token)
  const made = async (answer: Promise<Answer>) => {
    const { status, body } = await answer
    if (status !== 201) throw new Error(`not made: ${JSON.stringify(body)}`)
    return body
  }
  const key = async (draft: KeyDraft) => as((await made(administrator.post('/v1/keys', draft))).token)
  const person = async (name: string, roles: readonly Role[]) => {
    await made(administrator.post('/v1/persons', { person: name, name: `Person ${name}`, roles }))
    return key({ kind: 'person', person: name })
  }
  const signer = async (name: string, roles: readonly Role[]): Promise<Signer> => {
    const client = await person(name, roles)
    const { secret } = await made(client.post(`/v1/persons/${name}/one-time-code`))
    const bytes = readBase32(secret)
    if (bytes === undefined) throw new Error('the secret is no base32')
    return { ...client, person: name, code: (away = 0) => hotp(bytes, timeStep(clock.at) + away) }
  }
  return {
    app,
    database,
    urls,
    clock,
    logged: () => lines.join(''),
    administrator,
    as,
    person,
    signer,
    key,
    async close() {
      await app.server.close()
      await close()
    },
  }
}
