import { z } from 'zod'
import { isWellFormedText, KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { uploadCodes } from '../judging/words.ts'
import { makePage, PageWire, pageQuery, readPage, refusals, sendPage } from '../platform/http/conventions.ts'
import { type RestApp, rawBodyOf, type Services } from '../platform/http/server.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'
import type { Intake } from './acts.ts'
import { AnswerWire, ListedUploadWire, listedOutcomes } from './answer-words.ts'
import { listUploads, readAnswer, readRaw } from './reads.ts'
import { instantOf, uploadsListing, uploadsWindow } from './reads-window.ts'
import { UploadWire } from './words.ts'

const RunParams = z.strictObject({ runId: z.string().min(1).max(64) })
const UploadsQuery = z.strictObject({
  outcome: z.enum(listedOutcomes).optional(),
  site: KeyWire.optional(),
  station: KeyWire.optional(),
  product: KeyWire.optional(),
  serial: z
    .string()
    .min(1)
    .max(RAW_LENGTH_MAX)
    .refine(isWellFormedText, 'text holds NUL or half a character')
    .optional(),
  code: z.enum(uploadCodes).optional(),
  from: InstantWire.optional().describe('Received at or after; 31 days before `to` where it is left out'),
  to: InstantWire.optional().describe('Received before; now where it is left out'),
  ...pageQuery,
})

const UPLOAD_MEANING = [
  'The answer says what became of the upload: 201 accepted, whatever the verdict; 202 held, which is no evidence until it is settled;',
  '422 rejected, a problem document with the members of the answer, and the unit counts as untested; 409 where the key was used for',
  'other content. The same key with the same content gets its first status again, however often and in parallel it is sent;',
  '`sentAt` and `startedAgoMs` are stamped anew at each sending. Send again only on 503, time-outs and broken connections,',
  'with the same key. The server judges by the plan in force at the start of the test; a station can only make a verdict worse.',
].join(' ')

export function registerIntake(app: RestApp, services: Services, intake: Intake): void {
  const { database, received } = services
  app.post(
    '/v1/runs',
    {
      config: { permission: 'upload', rawBody: true },
      schema: {
        operationId: 'uploadRun',
        tags: ['runs'],
        summary: 'Uploads one run',
        description: UPLOAD_MEANING,
        body: UploadWire,
        response: { 201: AnswerWire, 202: AnswerWire, ...refusals('upload-rejected', 'upload-key-reused') },
      },
    },
    async (request, reply) => {
      const { actor } = request
      if (actor.kind === 'person') throw new Error('the permission upload lets no person in')
      const { status, answer } = await intake.uploadRun(actor, rawBodyOf(request))
      reply.code(status).header('location', `/v1/runs/${answer.runId}`)
      return answer
    },
  )
  app.get(
    '/v1/runs',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listRuns',
        tags: ['runs'],
        summary: 'Uploads with what became of them, the latest received first',
        description:
          'Rejected, held, conflicting and unreadable uploads are all here; nothing that an authenticated sender sent is dropped.',
        querystring: UploadsQuery,
        response: { 200: PageWire(ListedUploadWire) },
      },
    },
    async (request, reply) => {
      const { limit: asked, cursor, from: fromText, to: toText, ...filters } = request.query
      const { name, place, placeOf } = uploadsListing
      const { limit, after } = readPage(name, { limit: asked, cursor }, place)
      const { from, to } = uploadsWindow({
        from: fromText === undefined ? undefined : instantOf(fromText),
        to: toText === undefined ? undefined : instantOf(toText),
        now: received.now(),
      })
      const rows = await listUploads(database, { ...filters, from, to, limit, after })
      return sendPage(request, reply, makePage(name, rows, limit, placeOf))
    },
  )
  app.get(
    '/v1/runs/:runId',
    {
      config: { permission: 'read-run' },
      schema: {
        operationId: 'readRun',
        tags: ['runs'],
        summary: 'The answer to an upload, as it stands now',
        params: RunParams,
        response: { 200: AnswerWire, ...refusals('run-not-found') },
      },
    },
    (request) => readAnswer(database, request.params.runId, request.actor),
  )
  app.get(
    '/v1/runs/:runId/raw',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'readRunBytes',
        tags: ['runs'],
        summary: 'The bytes of an upload exactly as they came',
        params: RunParams,
        response: {
          200: {
            description: 'The bytes',
            content: { 'application/octet-stream': { schema: z.string().meta({ format: 'binary' }) } },
          },
          ...refusals('run-not-found'),
        },
      },
    },
    async (request, reply) => {
      const bytes = await readRaw(database, request.params.runId, request.actor)
      return reply.type('application/octet-stream').send(bytes as unknown as string)
    },
  )
}
