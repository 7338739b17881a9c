import { PassThrough } from 'node:stream'
import type { FastifyInstance } from 'fastify'
import { z } from 'zod'
import { TextWire } from '../../../src/exact/text.ts'
import { InstantWire } from '../../../src/exact/time.ts'
import {
  IntegerParam,
  makePage,
  NumberParam,
  PageWire,
  pageQuery,
  readPage,
  refusals,
  requireMatch,
  sendCreated,
  sendPage,
  sendTagged,
} from '../../../src/platform/http/conventions.ts'
import { registerOpenapi } from '../../../src/platform/http/openapi.ts'
import { createLog, createServer, rawBodyOf, registerRest } from '../../../src/platform/http/server.ts'
import { Problem } from '../../../src/platform/problems.ts'

const Shape = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('round'), radius: z.int() }),
  z.strictObject({ kind: z.literal('square'), side: z.int() }),
])
const Part = z.strictObject({ name: TextWire(20), count: z.int().min(1) }).meta({ id: 'Part' })
const Thing = z
  .strictObject({
    name: TextWire(20),
    at: InstantWire.optional(),
    parts: z.array(Part).optional(),
    shape: Shape.optional(),
    window: z.union([z.strictObject({ most: z.int() }), z.strictObject({ least: z.int() })]).optional(),
    extra: z.record(z.string(), z.string()).optional(),
  })
  .meta({ id: 'Thing' })

export interface Sample {
  readonly server: FastifyInstance
  readonly logged: () => string
  stopping: boolean
}

/** A small app on the platform alone, with a route for each thing the platform does. */
export async function buildSample(checkAnswers = true): Promise<Sample> {
  const lines: string[] = []
  const sink = new PassThrough()
  sink.on('data', (chunk) => lines.push(String(chunk)))
  const sample = { stopping: false }
  const options = { log: createLog('debug', sink), checkAnswers, isStopping: () => sample.stopping }
  const server = await createServer(options)
  await registerOpenapi(server, 'A sample.')
  await registerRest(server, options, (app) => {
    app.post(
      '/v1/things',
      { schema: { operationId: 'createThing', body: Thing, response: { 201: Thing, ...refusals('already-exists') } } },
      (request, reply) => {
        if (request.body.name === 'taken') throw new Problem('already-exists')
        return sendCreated(reply, ['things', request.body.name], request.body)
      },
    )
    const rows = Array.from({ length: 7 }, (_, index) => ({ n: index + 1 }))
    app.get(
      '/v1/things',
      {
        schema: {
          operationId: 'listThings',
          querystring: z.strictObject({ ...pageQuery, colour: z.string().optional() }),
          response: { 200: PageWire(z.strictObject({ n: z.int() })) },
        },
      },
      (request, reply) => {
        const { limit, after = 0 } = readPage('things', request.query, z.int())
        const page = rows.filter(({ n }) => n > after).slice(0, limit + 1)
        return sendPage(
          request,
          reply,
          makePage('things', page, limit, ({ n }) => n),
        )
      },
    )
    app.get(
      '/v1/things/:number',
      { schema: { operationId: 'getThing', params: z.strictObject({ number: NumberParam }), response: { 200: Part } } },
      (request, reply) => sendTagged(reply, 'sha256:aa', { name: 'part', count: request.params.number }),
    )
    app.put(
      '/v1/things/:number',
      {
        schema: {
          operationId: 'replaceThing',
          params: z.strictObject({ number: IntegerParam({ least: 0, most: 9 }) }),
          body: Part,
          response: { 200: Part, ...refusals('precondition-missing', 'precondition-stale') },
        },
      },
      (request) => {
        requireMatch(request, 'sha256:aa')
        return request.body
      },
    )
    app.post('/v1/nothing', { schema: { operationId: 'doNothing', response: { 200: z.strictObject({}) } } }, () => ({}))
    app.post(
      '/v1/raw',
      {
        config: { rawBody: true },
        schema: { operationId: 'sendRaw', body: Thing, response: { 200: z.strictObject({ text: z.string() }) } },
      },
      (request) => ({ text: rawBodyOf(request).toString('latin1') }),
    )
    app.get('/v1/broken', { schema: { operationId: 'break' } }, () => {
      throw new Error('the secret of the house: hunter2')
    })
    app.get('/v1/undeclared', { schema: { operationId: 'refuse' } }, () => {
      throw new Problem('revision-locked')
    })
    app.get('/v1/wrong', { schema: { operationId: 'lie', response: { 200: Part } } }, () => {
      return { name: 'part', count: 1, price: 2 } as never
    })
    const Loose = z.object({ name: z.string() }) // Not strict: Zod would drop what is not in it.
    app.get('/v1/loose', { schema: { operationId: 'drop', response: { 200: Loose } } }, () => {
      return { name: 'part', price: 2 }
    })
  })
  await server.ready()
  return Object.assign(sample, { server, logged: () => lines.join('') })
}
