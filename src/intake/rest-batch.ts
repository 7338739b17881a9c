import { z } from 'zod'
import { machineOf } from '../access/words.ts'
import { bodyOf } from '../platform/http/body.ts'
import { IntegerParam, refusals, streamed } from '../platform/http/conventions.ts'
import { type RestApp, rawBodyOf, type Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import type { Intake } from './acts.ts'
import { BatchLineWire, BatchParams, BatchWire, CheckAnswerWire } from './batch-words.ts'
import { findBatch, readBatch, readLineAnswers } from './reads-batch.ts'
import { splitArray, splitLines } from './split.ts'
import { UploadWire } from './words.ts'

const NDJSON = 'application/x-ndjson'
const MEDIA_TYPES = [NDJSON, 'application/ndjson', 'application/json']

const BATCH_MEANING = [
  'Many uploads in one request, after an outage or from an archive: NDJSON, one upload a line, or one JSON array of uploads;',
  '`Content-Encoding: gzip` is taken. Every line is an upload like any other, by its own upload key, and answered by itself:',
  'a bad line fails no other. Send everything and then read the answers, or read while sending. The status is 200 whatever',
  'became of the lines; the answers come once the stream has ended, one JSON object a line in the order of the lines, each as',
  'the upload alone would have been answered, with `line` (from 1, empty lines not counted) and `status`. Where not all was',
  'taken, a last line without `line`, of type `batch-incomplete`, says why. The answers stay at the address in `Location`. After',
  'a broken connection ask there, or send the whole batch again: a line that was taken is answered as repeated, and nothing',
  'counts twice. An upload has 1 MiB at most, a batch a million lines, and four batches may come in at once.',
].join(' ')

const CHECK_MEANING = [
  'Says what would be answered to this upload if it were sent to `/v1/runs` now, and stores nothing: no upload key is taken, no',
  'attempt counted, no evidence made. The history of the unit is not asked, so `attempt`, `evidence` and `release` are null.',
  'For trying out a sender; a test that was made belongs into `/v1/runs`.',
].join(' ')

/** What a route answers as a stream of NDJSON. */
const LinesResponse = {
  description: 'One answer a line',
  content: { [NDJSON]: { schema: BatchLineWire } },
}

const BatchBodyWire = z
  .union([UploadWire, z.array(UploadWire)])
  .describe('With application/x-ndjson one upload on each line; with application/json one array of uploads')

const AnswersQuery = z.strictObject({
  after: IntegerParam({ least: 0, most: 2_147_483_647 })
    .optional()
    .describe('The line after which the answers begin; all where it is left out'),
})

export function registerBatches(app: RestApp, services: Services, intake: Intake): void {
  const { database, received } = services
  const now = () => received.now()
  app.register(async (scope) => {
    const batches = scope as unknown as RestApp
    batches.removeAllContentTypeParsers()
    batches.addContentTypeParser(MEDIA_TYPES, (_request, payload, done) => done(null, payload))
    batches.post(
      '/v1/runs/batch',
      {
        config: { permission: 'upload', rawBody: true, streamedBody: true },
        schema: {
          operationId: 'uploadBatch',
          tags: ['runs'],
          summary: 'Uploads many runs, answered line by line',
          description: BATCH_MEANING,
          consumes: [NDJSON, 'application/json'],
          body: BatchBodyWire,
          response: { 200: LinesResponse },
        },
      },
      async (request, reply) => {
        const actor = machineOf(request.actor)
        const type = (request.headers['content-type'] ?? '').split(';', 1)[0]?.trim().toLowerCase() ?? ''
        if (!MEDIA_TYPES.includes(type)) {
          throw new Problem('media-type-unsupported', {
            detail: `A batch is ${NDJSON}, or application/json with one array.`,
          })
        }
        const body = bodyOf(request.raw)
        const splitter = type === 'application/json' ? splitArray() : splitLines()
        const { batch, done } = await intake.batches.begin(actor, body, splitter).catch((error: unknown) => {
          reply.header('connection', 'close')
          body.stop()
          body.discard()
          throw error
        })
        const answers = async function* () {
          // At once, so that the address is known even where the answers are never read.
          reply.raw.flushHeaders()
          await done
          // A sender that goes on would otherwise never come to read.
          body.discard()
          yield* readLineAnswers(database, batch, 0, now)
        }
        reply.header('location', `/v1/batches/${batch.batchId}/answers`).type(NDJSON)
        return reply.send(streamed(answers()))
      },
    )
  })
  app.post(
    '/v1/runs/check',
    {
      config: { permission: 'upload', rawBody: true },
      schema: {
        operationId: 'checkRun',
        tags: ['runs'],
        summary: 'Judges an upload without storing it',
        description: CHECK_MEANING,
        body: UploadWire,
        response: { 200: CheckAnswerWire },
      },
    },
    async (request) => {
      const { answer, status } = await intake.checkRun(machineOf(request.actor), rawBodyOf(request))
      const unstored = { runId: null, attempt: null, evidence: null, release: null, stored: false as const, status }
      return { ...answer, ...unstored, action: `Only checked, not stored. ${answer.action}` }
    },
  )
  app.get(
    '/v1/batches/:batchId',
    {
      config: { permission: 'read-run' },
      schema: {
        operationId: 'readBatch',
        tags: ['runs'],
        summary: 'How far a batch came, and how it ended',
        params: BatchParams,
        response: { 200: BatchWire, ...refusals('batch-not-found') },
      },
    },
    (request) => readBatch(database, request.params.batchId, request.actor),
  )
  app.get(
    '/v1/batches/:batchId/answers',
    {
      config: { permission: 'read-run' },
      schema: {
        operationId: 'readBatchAnswers',
        tags: ['runs'],
        summary: 'The answers to the lines of a batch, as they stand now',
        params: BatchParams,
        querystring: AnswersQuery,
        response: { 200: LinesResponse, ...refusals('batch-not-found') },
      },
    },
    async (request, reply) => {
      const batch = await findBatch(database, request.params.batchId, request.actor)
      reply.type(NDJSON)
      return reply.send(streamed(readLineAnswers(database, batch, request.query.after ?? 0, now)))
    },
  )
}
