import { randomBytes } from 'node:crypto'
import type { InjectOptions, LightMyRequestResponse } from 'fastify'
import { bootstrapAdministrator } from '../../src/access/acts.ts'
import { hotp, timeStep } from '../../src/access/signature.ts'
import type { Role } from '../../src/access/words.ts'
import { type App, buildApp } from '../../src/app.ts'
import { receivedClock, type ShiftedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { createLog } from '../../src/platform/http/server.ts'
import { readinessOf } from '../../src/service.ts'
import { clockFrom } from './clock.ts'
import { openTestDatabase } from './database.ts'

/** One answer: the status, the headers, and the body, parsed where it is JSON. */
export interface Answer {
  readonly status: number
  readonly headers: LightMyRequestResponse['headers']
  // Tests look into bodies of every shape; what is not there fails the expectation.
  // biome-ignore lint/suspicious/noExplicitAny: the schema of each answer is checked by the app itself (checkAnswers).
  readonly body: any
}

/** Someone who asks: a person, a station, a gateway, or nobody. */
export interface Client {
  readonly token: string | undefined
  get(path: string, headers?: Record<string, string>): Promise<Answer>
  post(path: string, body?: unknown, headers?: Record<string, string>): Promise<Answer>
  put(path: string, body: unknown, headers?: Record<string, string>): Promise<Answer>
  /** Any request, for bodies and headers that `post` would put right. */
  send(options: InjectOptions): Promise<Answer>
}

/** A person, who can sign with one-time codes made as an authenticator makes them. */
export interface PersonClient extends Client {
  readonly person: string
  /** The one-time code of the service's present time. Each counts once. */
  code(): string
  /** A signed POST: sends a fresh code, or relies on the presence that the last one opened less than 5 minutes ago. */
  sign(path: string, body: unknown): Promise<Answer>
}

export interface TestService {
  readonly app: App
  readonly database: Database
  /** The service's clock; `clock.shiftMs += 60_000` lets a minute pass. */
  readonly clock: ShiftedClock
  /** Holds the role administrator and nothing else. */
  readonly administrator: PersonClient
  /** Now, by the service's clock. */
  now(): number
  /** Makes a person with a key; who has the role approver or author has also fetched the secret for one-time codes. */
  addPerson(person: string, roles: readonly Role[]): Promise<PersonClient>
  /** Issues a key through the administrator: `{ kind: 'station', station }`, `{ kind: 'gateway', site, stations }`. */
  addKey(draft: unknown): Promise<Client>
  client(token: string | undefined): Client
  close(): Promise<void>
}

/**
 * Starts the whole app on a database of its own, under a clock that starts at `startsAt` and runs on from there. Every
 * answer is checked against its schema, and every refusal must be declared by its route.
 */
export async function startTestService(options: { startsAt?: string; poolMax?: number } = {}): Promise<TestService> {
  const clock = clockFrom(options.startsAt ?? '2026-03-16T05:00:00.000Z')
  const { database, close } = await openTestDatabase(
    clock,
    options.poolMax === undefined ? {} : { poolMax: options.poolMax },
  )
  const issued = await bootstrapAdministrator(database)
  if (issued === undefined || issued.person === null) throw new Error('an empty database has no administrator yet')
  const log = createLog(process.env['TEST_LOG'] ?? 'silent')
  const app = await buildApp({
    services: { database, received: receivedClock(clock), log },
    log,
    secretsKey: new Uint8Array(randomBytes(32)),
    readiness: readinessOf(database, 'enforced'),
    checkAnswers: true,
  })
  const now = () => clock.read(Date.now())
  const client = (token: string | undefined) => clientOf(app, token)
  const administrator = personOf(client(issued.token), issued.person, now)
  const addKey = async (draft: unknown) => client(created(await administrator.post('/v1/keys', draft)).body.token)
  return {
    app,
    database,
    clock,
    administrator,
    now,
    client,
    addKey,
    async addPerson(person, roles) {
      created(await administrator.post('/v1/persons', { person, name: `Test ${person}`, roles }))
      const keyed = await addKey({ kind: 'person', person })
      if (!roles.includes('author') && !roles.includes('approver')) return personOf(keyed, person, now)
      const { secret } = created(await keyed.post(`/v1/persons/${person}/one-time-code`)).body
      return personOf(keyed, person, now, secret)
    },
    async close() {
      await app.server.close()
      await close()
    },
  }
}

/** The answer, where it is 201. */
/** Submits a draft revision with a reason for each limit that needs one. */
export async function submitWithReasons(author: Client, path: string, digest: string): Promise<Answer> {
  const { reasonNeededFor } = expected(await author.get(`${path}/review`), 200).body
  const limitReasons = reasonNeededFor.map((change: { path: string }) => ({
    path: change.path,
    reason: 'gone through',
  }))
  return author.post(`${path}/submission`, { digest, limitReasons })
}

export function created(answer: Answer): Answer {
  return expected(answer, 201)
}

/** The answer, where it has the status; else throws with what was answered instead. */
export function expected(answer: Answer, status: number): Answer {
  if (answer.status !== status)
    throw new Error(`expected ${status}, got ${answer.status}: ${JSON.stringify(answer.body)}`)
  return answer
}

function bodyOf({ body, headers }: LightMyRequestResponse): unknown {
  if (body === '') return undefined
  const type = String(headers['content-type'] ?? '')
  return type.startsWith('text/csv') || type.startsWith('text/html') || type.startsWith('application/xml')
    ? body
    : JSON.parse(body)
}

function clientOf(app: App, token: string | undefined): Client {
  const send = async (options: InjectOptions): Promise<Answer> => {
    const authorization = token === undefined ? {} : { authorization: `Bearer ${token}` }
    const response = await app.server.inject({ ...options, headers: { ...authorization, ...options.headers } })
    return {
      status: response.statusCode,
      headers: response.headers,
      body: bodyOf(response),
    }
  }
  const withBody =
    (method: 'POST' | 'PUT') =>
    (path: string, body?: unknown, headers: Record<string, string> = {}) =>
      body === undefined
        ? send({ method, url: path, headers })
        : send({
            method,
            url: path,
            headers: { 'content-type': 'application/json', ...headers },
            payload: JSON.stringify(body),
          })
  return {
    token,
    send,
    get: (path, headers = {}) => send({ method: 'GET', url: path, headers }),
    post: withBody('POST'),
    put: withBody('PUT'),
  }
}

function personOf(client: Client, person: string, now: () => number, secret?: string): PersonClient {
  let lastStep = Number.NEGATIVE_INFINITY
  const code = () => {
    if (secret === undefined) throw new Error(`${person} has fetched no secret`)
    return hotp(readBase32(secret), timeStep(now()))
  }
  return {
    ...client,
    person,
    code,
    sign(path, body) {
      const step = timeStep(now())
      if (step === lastStep) return client.post(path, body)
      lastStep = step
      return client.post(path, body, { 'one-time-code': code() })
    },
  }
}

/** Base32 of RFC 4648, as an authenticator reads it. */
function readBase32(text: string): Uint8Array {
  const alphabet = 'ABCDEFGHIJKLMNOPQRSTUVWXYZ234567'
  const bits = [...text.replaceAll('=', '')].map((one) => alphabet.indexOf(one).toString(2).padStart(5, '0')).join('')
  const bytes = bits.match(/.{8}/g) ?? []
  return Uint8Array.from(bytes, (byte) => Number.parseInt(byte, 2))
}
