import { randomUUID } from 'node:crypto'
import type { IncomingMessage, ServerResponse } from 'node:http'
import helmet from '@fastify/helmet'
import type {} from '@fastify/swagger'
import {
  type FastifyBaseLogger,
  type FastifyInstance,
  type FastifyRequest,
  fastify,
  LogController,
  type RawServerDefault,
} from 'fastify'
import type { ZodTypeProvider } from 'fastify-type-provider-zod'
import { type DestinationStream, type Logger, pino } from 'pino'
import { z } from 'zod'
import { type JsonRefusal, readJson } from '../../exact/json.ts'
import type { ReceivedClock } from '../clock.ts'
import type { Database } from '../database/pool.ts'
import { fieldInvalid, Problem, type ProblemKey, pointerToken } from '../problems.ts'
import { addRefusals, isNotModified } from './conventions.ts'
import {
  answerCompiler,
  answerError,
  answerFrameworkError,
  answerNotFound,
  answerSocketError,
  type KnownPath,
} from './errors.ts'
import { validatorCompiler } from './validation.ts'

/** What every room's `rest.ts` is given. A room that needs more takes it in its own register function. */
export interface Services {
  readonly database: Database
  readonly received: ReceivedClock
  readonly log: FastifyBaseLogger
  /** Tells the sweep that rules may have changed. A nudge that is lost costs time and nothing else. */
  readonly nudgeSweep?: (() => void) | undefined
}

/** A Fastify scope whose schemas are Zod, whose bodies come through the exact reader, whose errors are problems. */
export type RestApp = FastifyInstance<
  RawServerDefault,
  IncomingMessage,
  ServerResponse,
  FastifyBaseLogger,
  ZodTypeProvider
>

declare module 'fastify' {
  interface FastifyContextConfig {
    /** The handler gets the bytes as they came (`rawBodyOf`); the body schema then only documents. */
    rawBody?: boolean
    /** The handler reads the body as it comes, sees to its length and its idling, and takes `Content-Encoding: gzip`. */
    streamedBody?: boolean
    /** Filled at registration: every refusal the route declares. */
    refusals?: ReadonlySet<ProblemKey>
  }
}

export interface ServerOptions {
  readonly log: Logger
  /** In tests: every answer must match its declared schema, and every refusal must be declared. */
  readonly checkAnswers?: boolean
  /** True from the moment the service begins to stop; new work is then refused. */
  readonly isStopping?: () => boolean
}

/** Largest body of one request, in bytes. One upload is some kilobytes. */
export const BODY_BYTES_MAX = 1_048_576
const REQUEST_ID = /^[A-Za-z0-9._:-]{1,64}$/
const CONNECTIONS_MAX = 2_048
const ARRIVAL_MAX_MS = 30_000

/**
 * The service's log: one JSON object a line. Headers are never logged; what could carry a secret all the same is
 * redacted as a second line of defence.
 */
export function createLog(level: string, destination?: DestinationStream): Logger {
  const secrets = ['authorization', '["one-time-code"]', 'cookie']
  const redacted = secrets.flatMap((name) => {
    const member = name.startsWith('[') ? name : `.${name}`
    return [`headers${member}`, `req.headers${member}`, `request.headers${member}`]
  })
  const options = {
    level,
    base: null,
    redact: { paths: [...redacted, 'token', 'secret', '*.token', '*.secret'], censor: '[redacted]' },
    serializers: { req: describeRequest },
  }
  return destination === undefined ? pino(options) : pino(options, destination)
}

/** The bare application: ids, log, time limits, headers, and errors as problems. It has no routes yet. */
export async function createServer(options: ServerOptions): Promise<FastifyInstance> {
  const app = fastify({
    loggerInstance: options.log as FastifyBaseLogger,
    logController: new LogController({ disableRequestLogging: true, requestIdLogLabel: 'requestId' }),
    requestIdHeader: false,
    genReqId: requestIdOf,
    bodyLimit: BODY_BYTES_MAX,
    requestTimeout: 0, // `limitArrival` sees to it, since a streamed body may take longer.
    http: { headersTimeout: ARRIVAL_MAX_MS },
    connectionTimeout: 60_000,
    keepAliveTimeout: 65_000, // Above the 60 s after which common load balancers drop an idle connection.
    return503OnClosing: false, // Its body is no problem document; `isStopping` answers instead.
    frameworkErrors: answerFrameworkError,
    clientErrorHandler: answerSocketError,
    routerOptions: { maxParamLength: 512 },
  })
  app.server.maxConnections = CONNECTIONS_MAX
  // Answers are data: a browser that shows one must load nothing for it. TLS, and with it HSTS, is the proxy's.
  await app.register(helmet, {
    contentSecurityPolicy: { useDefaults: false, directives: { defaultSrc: ["'none'"], frameAncestors: ["'none'"] } },
    strictTransportSecurity: false,
  })
  app.addHook('onRequest', (request, reply, done) => {
    limitArrival(request)
    // A cache on the way must ask again: whether a unit may ship can change with any commit.
    reply.headers({ 'x-request-id': request.id, 'cache-control': 'no-cache' })
    done()
  })
  app.addHook('onResponse', (request, reply, done) => {
    // A healthy day is quiet: answers are told at debug, refusals at info by the error handler.
    request.log.debug({ req: request, status: reply.statusCode, milliseconds: reply.elapsedTime }, 'answered')
    done()
  })
  app.setErrorHandler((error, request, reply) => answerError(error, request, reply, options.checkAnswers === true))
  const known = new Map<string, KnownPath>()
  app.addHook('onRoute', ({ url, method }) => {
    const path = known.get(url) ?? { path: pathOf(url), methods: new Set<string>() }
    known.set(url, path)
    for (const one of [method].flat()) path.methods.add(one)
  })
  app.setNotFoundHandler((request, reply) => answerNotFound(request, reply, [...known.values()]))
  return app
}

/** The paths that a route is asked for at; a parameter is one segment. */
function pathOf(url: string): RegExp {
  const segments = url
    .split('/')
    .map((one) => (one.startsWith(':') ? '[^/]+' : one.replace(/[.*+?^${}()|[\]\\]/g, '\\$&')))
  return new RegExp(`^${segments.join('/')}$`)
}

/** For the whole body to arrive: a sender that trickles bytes is answered 408 and cut off. */
function limitArrival({ raw, routeOptions }: FastifyRequest): void {
  const hasBody = raw.headers['transfer-encoding'] !== undefined || Number(raw.headers['content-length'] ?? 0) > 0
  if (!hasBody || routeOptions.config?.streamedBody === true) return
  const timer = setTimeout(() => {
    // An injected request has no connection, and says nothing of it.
    if (raw.complete === false)
      answerSocketError(Object.assign(new Error(), { code: 'ERR_HTTP_REQUEST_TIMEOUT' }), raw.socket)
  }, ARRIVAL_MAX_MS)
  timer.unref()
  const clear = () => clearTimeout(timer)
  raw.once('end', clear)
  raw.once('close', clear)
}

/**
 * Opens the REST scope: Zod compilers, the exact JSON reader and the refusals every route shares. They live in this
 * scope alone, because other plug-ins bring routes with JSON schemas of their own.
 */
export async function registerRest(
  server: FastifyInstance,
  options: ServerOptions,
  register: (app: RestApp) => void | Promise<void>,
): Promise<void> {
  await server.register(async (scope) => {
    const app: RestApp = scope.withTypeProvider<ZodTypeProvider>()
    app.setValidatorCompiler(validatorCompiler)
    app.setSerializerCompiler(answerCompiler(options.checkAnswers === true))
    app.removeAllContentTypeParsers()
    app.addContentTypeParser<Buffer>('application/json', { parseAs: 'buffer' }, (request, bytes, done) => {
      try {
        done(null, parseBody(request, bytes))
      } catch (refusal) {
        done(refusal as Error, undefined)
      }
    })
    app.addHook('onRoute', (route) => {
      addRefusals(route, ['unexpected', 'overloaded', 'stopping'])
      if (route.schema?.params !== undefined || route.schema?.querystring !== undefined) {
        addRefusals(route, ['parameter-invalid'])
      }
      if (route.schema?.querystring instanceof z.ZodObject && 'cursor' in route.schema.querystring.shape) {
        addRefusals(route, ['cursor-invalid'])
      }
      if (![route.method].flat().every((method) => method === 'GET' || method === 'HEAD')) {
        addRefusals(route, ['body-not-json', 'body-too-large', 'media-type-unsupported', 'field-invalid'])
      }
      if (route.config?.rawBody === true) {
        route.validatorCompiler = (part) =>
          part.httpPart === 'body' ? (value: unknown) => ({ value }) : validatorCompiler(part as never)
      }
    })
    app.addHook('onRequest', (request, reply, done) => {
      if (options.isStopping?.() === true && !HEALTH_PATHS.has(request.routeOptions.url ?? '')) {
        reply.header('connection', 'close')
        done(new Problem('stopping', { headers: { 'retry-after': '5' } }))
      } else if (!isCodingTaken(request)) {
        // Taken as it stands a compressed body would be refused as broken JSON, which helps nobody.
        const isStreamed = request.routeOptions.config.streamedBody === true
        const detail = isStreamed
          ? 'This is sent as it is, or with Content-Encoding: gzip.'
          : 'Bodies are sent without Content-Encoding.'
        done(new Problem('media-type-unsupported', { detail }))
      } else {
        done()
      }
    })
    app.addHook('onSend', (request, reply, payload, done) => {
      // A connection kept alive after the stop began would hold the stop up until it is dropped as idle.
      if (options.isStopping?.() === true) reply.header('connection', 'close')
      if (isNotModified(request, reply)) {
        reply.code(304)
        done(null, null)
      } else {
        done(null, payload)
      }
    })
    await register(app)
  })
}

function isCodingTaken(request: FastifyRequest): boolean {
  const coding = (request.headers['content-encoding'] ?? 'identity').toLowerCase()
  return coding === 'identity' || (coding === 'gzip' && request.routeOptions.config.streamedBody === true)
}

/** Asked by those who watch the service, so answered while it stops. */
const HEALTH_PATHS: ReadonlySet<string> = new Set(['/livez', '/readyz'])

function parseBody(request: FastifyRequest, bytes: Buffer): unknown {
  if (request.routeOptions.config.rawBody === true) {
    return bytes
  }
  if (request.routeOptions.schema?.body !== undefined) {
    return readBody(bytes)
  }
  // Many clients name a content type with every POST; only a body that says something is refused.
  const body = bytes.length === 0 ? {} : readBody(bytes)
  if (typeof body !== 'object' || body === null || Array.isArray(body) || Object.keys(body).length > 0) {
    throw fieldInvalid('', 'This takes no body.', 'field-unknown')
  }
  return undefined
}

/**
 * One JSON body through the exact reader. Members whose value is null are left out, because an absent field and null
 * mean the same everywhere in this interface.
 * @throws Problem `body-not-json` with the offset of the first bad byte, or `field-invalid` with each pointer
 */
export function readBody(bytes: Uint8Array): unknown {
  const read = readJson(bytes)
  if (!read.ok) {
    throw new Problem('body-not-json', {
      detail: `${read.message} (byte ${read.offset})`,
      members: { code: read.code, offset: read.offset },
    })
  }
  if (read.refusals.length > 0) {
    throw new Problem('field-invalid', {
      errors: read.refusals.map(({ code, pointer }) => ({ pointer, code, detail: REFUSED_TEXT[code] })),
    })
  }
  return withoutNulls(read.value, '')
}

const REFUSED_TEXT: Readonly<Record<JsonRefusal['code'], string>> = {
  'duplicate-member': 'This member occurs twice in its object.',
  'text-invalid': 'This text holds NUL or half of a surrogate pair.',
  'number-too-long': 'This number has too many digits.',
}

// The reader refuses what is nested deeper than 32, so this recursion is bounded.
function withoutNulls(value: unknown, pointer: string): unknown {
  if (Array.isArray(value)) {
    return value.map((inner, index) => withoutNulls(inner, `${pointer}/${index}`))
  }
  if (typeof value !== 'object' || value === null || !isJsonObject(value)) {
    return value
  }
  const kept: Record<string, unknown> = Object.create(null)
  for (const [member, inner] of Object.entries(value)) {
    if (member === '__proto__') {
      // Zod leaves it out of open records without a word; dropping what was sent is worse than refusing it.
      throw fieldInvalid(`${pointer}/__proto__`, 'A field cannot have this name.')
    }
    if (inner !== null) {
      kept[member] = withoutNulls(inner, `${pointer}/${pointerToken(member)}`)
    }
  }
  return kept
}

function isJsonObject(value: object): boolean {
  const prototype: unknown = Object.getPrototypeOf(value)
  return prototype === null || prototype === Object.prototype
}

/** The bytes of a request whose route says `rawBody`. An absent body is no bytes. */
export function rawBodyOf(request: FastifyRequest): Buffer {
  const body: unknown = request.body
  if (body === undefined || body === null) {
    return Buffer.alloc(0)
  }
  if (!Buffer.isBuffer(body)) {
    throw new Error(`${request.routeOptions.url} does not ask for its raw body`)
  }
  return body
}

/** A caller's own request id is taken where it is short and plain, so that it can be looked for in both logs. */
function requestIdOf(raw: IncomingMessage): string {
  const asked = raw.headers['x-request-id']
  return typeof asked === 'string' && REQUEST_ID.test(asked) ? asked : randomUUID()
}

/** A request in the log: no headers, and the path without its query, which may hold a serial number. */
function describeRequest(request: { method?: string; url?: string }): { method: string; path: string } {
  return { method: request.method ?? '', path: (request.url ?? '').split('?', 1)[0] ?? '' }
}
