import { STATUS_CODES } from 'node:http'
import type { Socket } from 'node:net'
import { isDeepStrictEqual } from 'node:util'
import type { FastifyReply, FastifyRequest, FastifySerializerCompiler } from 'fastify'
import type { z } from 'zod'
import { safeParse } from 'zod/v4/core'
import { translated } from '../database/errors.ts'
import { Problem, type ProblemKey, problems } from '../problems.ts'

/**
 * Writes answers as JSON. In service that is all, because a check would cost more than the rest of a list; in tests an
 * answer that does not match its declared schema, or that has members the schema would drop, fails the request.
 */
export function answerCompiler(checked: boolean): FastifySerializerCompiler<z.ZodType> {
  if (!checked) {
    return () => JSON.stringify
  }
  return ({ schema, method, url, httpStatus }) =>
    (value: unknown) => {
      const text = JSON.stringify(value)
      const sent: unknown = JSON.parse(text)
      const read = safeParse(schema, sent)
      if (!read.success) {
        throw new Error(
          `${method} ${url} answers ${httpStatus} outside its schema: ${JSON.stringify(read.error.issues)}`,
        )
      }
      if (!isDeepStrictEqual(JSON.parse(JSON.stringify(read.data)), sent)) {
        throw new Error(`${method} ${url} answers ${httpStatus} with members its schema does not have: ${text}`)
      }
      return text
    }
}

/** Everything that is thrown while a request is handled becomes a problem document here. */
export function answerError(error: unknown, request: FastifyRequest, reply: FastifyReply, checked: boolean): void {
  const problem = problemOf(error, request.routeOptions.bodyLimit)
  const declared = request.routeOptions.config.refusals
  if (checked && declared !== undefined && problem.status !== 500 && !isDeclared(problem.key, declared, request)) {
    const detail = `${request.method} ${request.routeOptions.url} does not declare the refusal ${problem.key}`
    send(request, reply, new Problem('unexpected', { detail, cause: error }))
    return
  }
  send(request, reply, problem)
}

/** A path that routes are registered at, with their methods. */
export interface KnownPath {
  readonly path: RegExp
  readonly methods: Set<string>
}

/** Nothing is registered at the path asked for; another method of it, or the path without its last slash, is named. */
export function answerNotFound(request: FastifyRequest, reply: FastifyReply, known: readonly KnownPath[]): void {
  const [path = ''] = request.url.split('?', 1)
  const methodsAt = (asked: string) => known.find((one) => one.path.test(asked))?.methods
  const methods = methodsAt(path)
  if (methods !== undefined && !methods.has(request.method)) {
    const allow = [...methods].sort().join(', ')
    send(request, reply, new Problem('method-not-allowed', { detail: `By ${allow}.`, headers: { allow } }))
    return
  }
  const bare = path.replace(/\/+$/, '')
  const detail = bare !== path && methodsAt(bare) !== undefined ? 'Leave out the slash at the end.' : undefined
  send(request, reply, new Problem('route-not-found', detail === undefined ? {} : { detail }))
}

/** Errors of the framework before a route was found. */
export function answerFrameworkError(error: unknown, request: unknown, reply: unknown): void {
  send(request as FastifyRequest, reply as FastifyReply, problemOf(error))
}

/** Bytes that are no HTTP request: the answer goes straight to the socket, which is then closed. */
export function answerSocketError(error: Error & { code?: string }, socket: Socket): void {
  if (error.code === 'ECONNRESET' || socket.destroyed || !socket.writable) {
    socket.destroy()
    return
  }
  const problem = new Problem(SOCKET_ERRORS[error.code ?? ''] ?? 'request-malformed')
  const body = JSON.stringify(problem)
  const head = [
    `HTTP/1.1 ${problem.status} ${STATUS_CODES[problem.status] ?? 'Error'}`,
    'Content-Type: application/problem+json',
    `Content-Length: ${Buffer.byteLength(body)}`,
    'Connection: close',
  ]
  // A peer that never ends its side would hold the socket for ever.
  socket.end(`${head.join('\r\n')}\r\n\r\n${body}`)
  setTimeout(() => socket.destroy(), CLOSE_WAIT_MS).unref()
}

const CLOSE_WAIT_MS = 5_000

const SOCKET_ERRORS: Readonly<Record<string, ProblemKey>> = {
  HPE_HEADER_OVERFLOW: 'headers-too-large',
  ERR_HTTP_REQUEST_TIMEOUT: 'request-timeout',
}

const FRAMEWORK_ERRORS: Readonly<Record<string, ProblemKey>> = {
  FST_ERR_CTP_BODY_TOO_LARGE: 'body-too-large',
  FST_ERR_CTP_INVALID_MEDIA_TYPE: 'media-type-unsupported',
  FST_ERR_CTP_EMPTY_TYPE: 'media-type-unsupported',
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: 'request-malformed',
  FST_ERR_BAD_URL: 'request-malformed',
  FST_ERR_INVALID_URL: 'request-malformed',
  FST_ERR_MAX_PARAM_LENGTH: 'path-too-long',
  FST_ERR_NOT_FOUND: 'route-not-found',
  ECONNRESET: 'request-malformed', // The sender went away in the middle of its body; nobody reads the answer.
  ERR_STREAM_PREMATURE_CLOSE: 'request-malformed',
}

/** Any thrown value as the problem the caller is shown. What we do not know is `unexpected`, with nothing inside. */
export function problemOf(error: unknown, bodyLimit?: number): Problem {
  const known = translated(error)
  if (known instanceof Problem) {
    return known
  }
  const code = typeof error === 'object' && error !== null && 'code' in error ? error.code : undefined
  const key = typeof code === 'string' ? FRAMEWORK_ERRORS[code] : undefined
  const detail =
    key === 'body-too-large' && bodyLimit !== undefined ? `At most ${bodyLimit} bytes are taken here.` : undefined
  return new Problem(key ?? 'unexpected', { cause: error, ...(detail === undefined ? {} : { detail }) })
}

function isDeclared(key: ProblemKey, declared: ReadonlySet<ProblemKey>, request: FastifyRequest): boolean {
  // A route may describe the answer of a status itself, as the upload does for 422.
  const own = request.routeOptions.schema?.response as Record<string, { problems?: unknown }> | undefined
  const described = own?.[String(problems[key].status)]
  return declared.has(key) || (described !== undefined && described.problems === undefined)
}

function send(request: FastifyRequest, reply: FastifyReply, problem: Problem): void {
  if (problem.key === 'unexpected') {
    request.log.error({ req: request, err: problem.cause, detail: problem.detail }, 'unexpected error')
  } else if (problem.status >= 500) {
    request.log.warn({ req: request, problem: problem.key, detail: problem.detail, err: problem.cause }, 'not served')
  } else {
    request.log.info({ req: request, problem: problem.key, detail: problem.detail }, 'refused')
  }
  reply
    .code(problem.status)
    .headers(problem.headers ?? {})
    .type('application/problem+json')
    .serializer(JSON.stringify)
    .send({ ...problem.toJSON(), requestId: request.id })
}
