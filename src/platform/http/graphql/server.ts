import type { FastifyInstance, FastifyReply, FastifyRequest } from 'fastify'
import {
  type ExecutionResult,
  GraphQLError,
  type GraphQLFormattedError,
  type GraphQLSchema,
  getOperationAST,
} from 'graphql'
import mercurius from 'mercurius'
import { z } from 'zod'
import { Problem } from '../../problems.ts'
import { problemOf } from '../errors.ts'
import type { GraphContext } from './builder.ts'
import { parseQuery, requireWithinLimits } from './limits.ts'

export interface GraphServerOptions {
  readonly schema: GraphQLSchema
  /** Asked before the body is read: throws the Problem that refuses the sender. */
  readonly admit: (request: FastifyRequest) => Promise<void>
  readonly isStopping?: (() => boolean) | undefined
  /** After how many repeats a query is compiled; 0: never. Compiled ones run several times faster. */
  readonly jit?: number | undefined
}

export const GRAPH_PATH = '/graphql'
/** Largest request, in bytes: room for a query of most tokens and its variables. */
const BODY_BYTES_MAX = 65_536
const SOURCES_MAX = 1_024
const JIT_AFTER = 1
/** Mercurius' code of an error that lists what is wrong with a document or its variables. */
const REFUSED = 'MER_ERR_GQL_VALIDATION'

/** The two media types of GraphQL over HTTP; the older one answers 200 also to a query that is refused. */
const ANSWER_TYPE = 'application/graphql-response+json'
const OLDER_TYPE = 'application/json'

/** What is asked, whether in a body or in a query string. */
const AskedWire = z.object({
  query: z.string().min(1),
  operationName: z
    .string()
    .regex(/^[_A-Za-z][_0-9A-Za-z]*$/)
    .nullish(),
  variables: z.record(z.string(), z.unknown()).nullish(),
  extensions: z.record(z.string(), z.unknown()).nullish(),
})
type Asked = z.infer<typeof AskedWire>

/**
 * Answers the graph at /graphql, GET and POST, as the GraphQL-over-HTTP draft says. It stands in a scope of its own
 * beside REST, behind the same check of keys. Mercurius executes; the routes are ours, so that every refusal, also one
 * before a query is read, has the registry's problem in `errors[].extensions.problem`.
 */
export async function registerGraph(server: FastifyInstance, options: GraphServerOptions): Promise<void> {
  await server.register(async (scope) => {
    await scope.register(mercurius, {
      schema: options.schema,
      routes: false,
      jit: options.jit ?? JIT_AFTER,
      allowBatchedQueries: false,
      // Left as it is: written where the request is at hand, and no data at all says that nothing was executed.
      errorFormatter: ({ data, errors }) => ({ statusCode: 200, response: { data, errors } as never }),
    })
    scope.graphql.addHook('preExecution', async (schema, document, context, variables) => {
      const { operationName } = context as unknown as GraphContext
      const operation = getOperationAST(document, operationName)?.operation
      if (operation !== undefined && operation !== 'query') {
        throw new Problem('query-invalid', { detail: `This takes questions only; there is no ${operation}.` })
      }
      requireWithinLimits(schema, document, variables, operationName)
    })
    scope.removeAllContentTypeParsers()
    scope.addContentTypeParser<Buffer>('application/json', { parseAs: 'buffer' }, (_request, bytes, done) => {
      try {
        done(null, readJsonObject(bytes))
      } catch (refusal) {
        done(refusal as Error, undefined)
      }
    })
    scope.setErrorHandler((error, request, reply) => answerRefusal(error, request, reply))
    scope.addHook('onRequest', async (request, reply) => {
      if (options.isStopping?.() === true) {
        reply.header('connection', 'close')
        throw new Problem('stopping', { headers: { 'retry-after': '5' } })
      }
      await options.admit(request)
    })
    const sources = new KnownSources()
    const hidden = { schema: { hide: true } } as const
    scope.get(GRAPH_PATH, hidden, (request, reply) =>
      answer(scope, sources, readAsked(ofQueryString(request.query)), request, reply),
    )
    scope.post(GRAPH_PATH, { ...hidden, bodyLimit: BODY_BYTES_MAX }, (request, reply) =>
      answer(scope, sources, readAsked(request.body), request, reply),
    )
  })
}

async function answer(
  scope: FastifyInstance,
  sources: KnownSources,
  asked: Asked,
  request: FastifyRequest,
  reply: FastifyReply,
): Promise<FastifyReply> {
  const operationName = asked.operationName ?? undefined
  const context: GraphContext = { requestId: request.id, operationName }
  try {
    sources.require(asked.query)
    // The executor keeps compiled queries by their text alone, so a document of several operations is told apart here.
    const source = operationName === undefined ? asked.query : `${asked.query}\n# ${operationName}`
    const result: ExecutionResult = await scope.graphql(
      source,
      { ...context },
      asked.variables ?? undefined,
      operationName,
    )
    const { data, errors } = result
    if (data === undefined) throw Object.assign(new Error('not executed'), { code: REFUSED, errors })
    const written = errors === undefined ? {} : { errors: errors.map((error) => writeError(error, request)) }
    return send(request, reply, 200, { ...written, data })
  } catch (error) {
    const refused = refusalsOf(error)
    const isOurs = refused.every((one) => !(one instanceof GraphQLError) && problemOf(one).status >= 500)
    const status = isOurs ? problemOf(refused[0]).status : mediaType(request) === OLDER_TYPE ? 200 : 400
    return send(request, reply, status, { errors: refused.map((one) => writeError(one, request)) })
  }
}

/** Documents that were read before and have not too many tokens. One that is no document never reaches the executor. */
class KnownSources {
  readonly #known = new Set<string>()

  /** @throws GraphQLError where the text is no document, or one of too many tokens */
  require(source: string): void {
    if (this.#known.has(source)) return
    parseQuery(source)
    for (const oldest of this.#known) {
      if (this.#known.size < SOURCES_MAX) break
      this.#known.delete(oldest)
    }
    this.#known.add(source)
  }
}

/** What the executor throws before it runs anything: a list of what is wrong with the document, or one refusal. */
function refusalsOf(error: unknown): readonly unknown[] {
  const isList = error instanceof Error && 'code' in error && error.code === REFUSED
  const list: unknown = isList && 'errors' in error ? error.errors : undefined
  return Array.isArray(list) && list.length > 0 ? list : [error]
}

// ------------------------------------------------------------------------------------------------ what is asked

function readJsonObject(bytes: Buffer): unknown {
  try {
    return JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(bytes))
  } catch (cause) {
    throw new Problem('body-not-json', { cause })
  }
}

function ofQueryString(query: unknown): Record<string, unknown> {
  const members: Record<string, unknown> = { ...(query as Record<string, unknown>) }
  for (const name of ['variables', 'extensions'] as const) {
    const text = members[name]
    if (typeof text !== 'string') continue
    try {
      members[name] = text === '' ? null : JSON.parse(text)
    } catch (cause) {
      const detail = `${name} is not JSON`
      throw new Problem('query-invalid', { detail, errors: [{ pointer: `/${name}`, detail, in: 'query' }], cause })
    }
  }
  return members
}

function readAsked(value: unknown): Asked {
  const read = AskedWire.safeParse(value)
  if (read.success) return read.data
  const errors = read.error.issues.map(({ path, message }) => ({
    pointer: path.map((token) => `/${String(token)}`).join(''),
    detail: message,
  }))
  const detail = 'A request has a query, and may have operationName, variables and extensions.'
  throw new Problem('query-invalid', { detail, errors })
}

// ------------------------------------------------------------------------------------------------ what is answered

/** A refusal before anything was read: its own status, whatever the media type. */
function answerRefusal(error: unknown, request: FastifyRequest, reply: FastifyReply): void {
  const problem = problemOf(error)
  reply.headers(problem.headers ?? {})
  send(request, reply, problem.status, { errors: [writeError(error, request)] })
}

function send(request: FastifyRequest, reply: FastifyReply, status: number, body: unknown): FastifyReply {
  return reply
    .code(status)
    .header('vary', 'Accept')
    .type(`${mediaType(request)}; charset=utf-8`)
    .serializer(JSON.stringify)
    .send(body)
}

/** The media type that the sender likes best; the older one for whoever does not say. */
function mediaType(request: FastifyRequest): typeof ANSWER_TYPE | typeof OLDER_TYPE {
  const asked = (request.headers.accept ?? '*/*').split(',').map((part) => {
    const [type = '', ...parameters] = part.split(';').map((text) => text.trim().toLowerCase())
    const weight = Number(parameters.find((one) => one.startsWith('q='))?.slice(2) ?? '1')
    return { type, weight }
  })
  const best = asked.filter(({ weight }) => weight > 0).sort((one, other) => other.weight - one.weight)
  const first = best.find(({ type }) => type === ANSWER_TYPE || type === OLDER_TYPE || type.endsWith('/*'))
  return first?.type === ANSWER_TYPE ? ANSWER_TYPE : OLDER_TYPE
}

/** One error as it is answered. What nobody foresaw tells the caller nothing but the request id; we log it. */
function writeError(error: unknown, request: FastifyRequest): GraphQLFormattedError {
  const place = placeOf(error)
  const cause = error instanceof GraphQLError ? error.originalError : error
  if (cause === undefined || cause === null) {
    // The document or its variables: said by the validator, about what the caller sent.
    const { message } = error as GraphQLError
    return written(new Problem('query-invalid', { detail: message }), request, place)
  }
  if (cause instanceof GraphQLError) return writeError(cause, request)
  const problem = problemOf(cause)
  if (problem.key === 'unexpected') {
    request.log.error({ req: request, err: problem.cause, path: place.path }, 'unexpected error')
  } else {
    request.log.info({ req: request, problem: problem.key, detail: problem.detail }, 'refused')
  }
  return written(problem, request, place)
}

type Place = Pick<GraphQLFormattedError, 'locations' | 'path'>

function placeOf(error: unknown): Place {
  if (!(error instanceof GraphQLError)) return {}
  const { locations, path } = error.toJSON()
  return { ...(locations === undefined ? {} : { locations }), ...(path === undefined ? {} : { path }) }
}

function written(problem: Problem, request: FastifyRequest, place: Place): GraphQLFormattedError {
  const document = { ...problem.toJSON(), requestId: request.id }
  return { message: problem.message, ...place, extensions: { code: problem.key, problem: document } }
}
