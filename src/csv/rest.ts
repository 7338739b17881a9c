import { z } from 'zod'
import { type Actor, machineOf, ReasonWire, speaksFor } from '../access/words.ts'
import { KeyWire } from '../exact/text.ts'
import { InstantWire, readInstant } from '../exact/time.ts'
import type { Batches } from '../intake/acts-batch.ts'
import { BatchLineWire } from '../intake/batch-words.ts'
import { readLineAnswers } from '../intake/reads-batch.ts'
import { bodyOf } from '../platform/http/body.ts'
import {
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  refusals,
  sendCreated,
  sendList,
  streamed,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import { createFiles } from './acts-files.ts'
import { confirmProfile, createProfile, withdrawProfile } from './acts-profiles.ts'
import { FilePlaceWire, getFile, getProfile, listFiles, listProfiles, readFileBytes } from './reads.ts'
import { ProfileConfirmationWire, ProfileDraftWire, StationFileWire, StationProfileWire } from './words.ts'

const CSV = 'text/csv'
/** Generated clients know text as text/plain alone; what the bytes are, the profile says. */
const MEDIA_TYPES = [CSV, 'text/plain']
const NDJSON = 'application/x-ndjson'
const tags = ['files']
const StationParams = z.strictObject({ station: KeyWire })
const ProfileParams = z.strictObject({ station: KeyWire, profile: NumberParam })
const FileParams = z.strictObject({ fileId: z.string().min(1).max(64) })
const PageQuery = z.strictObject({ ...pageQuery })
const UploadQuery = z.strictObject({
  profile: NumberParam.optional().describe(
    'The profile that the file was written for: refused where another is in effect',
  ),
  sentAt: InstantWire.optional().describe(
    'The clock of the sender, so that it is compared with ours; without it no skew is seen, unless the rows say it',
  ),
})

const FILE_MEANING = [
  'One row is one run. The whole file is read by the confirmed profile of the station in effect: a file with one fault is refused',
  'whole with `code`, `row`, `column`, `header` and byte `offset`, its bytes are kept, and no row of it is an upload. Else every row',
  'is an upload like any other, and the answer is that of a batch: one JSON object a line, where `line` is the row of the file (the',
  'header is row 1); it stays at the address in `Location`. Sent again, a row that was taken is answered as repeated.',
  '`Content-Encoding: gzip` is taken. A file has 32 MiB and 100,000 rows at most, and two may come in at once. A file is a record',
  'of tests and makes no unit safe to touch; local codes and licensed practice govern.',
].join(' ')

/** Station profiles, and the files that are read by them. */
export function registerFiles(app: RestApp, services: Services & { readonly batches: Batches }): void {
  registerProfiles(app, services)
  registerUpload(app, services)
  registerReads(app, services)
}

function registerProfiles(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/stations/:station/profiles',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createStationProfile',
        tags,
        summary: 'Write how the CSV files of a station are to be read; a second person confirms it',
        params: StationParams,
        body: ProfileDraftWire,
        response: { 201: StationProfileWire, ...refusals('station-not-found', 'already-exists', 'number-not-higher') },
      },
    },
    async (request, reply) => {
      const { station } = request.params
      const created = await createProfile(database, request.person, station, request.body)
      return sendCreated(reply, ['stations', station, 'profiles', String(created.profile)], created)
    },
  )
  app.get(
    '/v1/stations/:station/profiles',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listStationProfiles',
        tags,
        summary: 'The profiles of a station, ascending',
        params: StationParams,
        querystring: PageQuery,
        response: { 200: PageWire(StationProfileWire), ...refusals('station-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `profiles/${request.params.station}`,
        place: PlaceNumber,
        placeOf: ({ profile }) => profile,
        read: ({ after = 0, limit }) => listProfiles(database.sql, request.params.station, { after, limit }),
      }),
  )
  app.get(
    '/v1/stations/:station/profiles/:profile',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getStationProfile',
        tags,
        summary: 'One profile of a station',
        params: ProfileParams,
        response: { 200: StationProfileWire, ...refusals('profile-not-found') },
      },
    },
    (request) => getProfile(database.sql, request.params),
  )
  app.post(
    '/v1/stations/:station/profiles/:profile/confirmation',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'confirmStationProfile',
        tags,
        summary: 'Sign a profile as the second person; files are read by it from the instant given',
        params: ProfileParams,
        body: ProfileConfirmationWire,
        response: {
          200: StationProfileWire,
          ...refusals(
            'profile-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'effective-instant-passed',
          ),
        },
      },
    },
    (request) => confirmProfile(database, request.person, request.params, request.body),
  )
  app.post(
    '/v1/stations/:station/profiles/:profile/withdrawal',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'withdrawStationProfile',
        tags,
        summary: 'Stop a profile at once; one person is enough, and no earlier one comes back',
        params: ProfileParams,
        body: ReasonWire,
        response: { 200: StationProfileWire, ...refusals('profile-not-found', 'state-conflict') },
      },
    },
    (request) => withdrawProfile(database, request.person, request.params, request.body),
  )
}

function registerUpload(app: RestApp, services: Services & { readonly batches: Batches }): void {
  const { database, received } = services
  const files = createFiles(services)
  app.register(async (scope) => {
    const uploads = scope as unknown as RestApp
    uploads.removeAllContentTypeParsers()
    uploads.addContentTypeParser(MEDIA_TYPES, (_request, payload, done) => done(null, payload))
    uploads.post(
      '/v1/stations/:station/files',
      {
        config: { permission: 'upload', rawBody: true, streamedBody: true },
        schema: {
          operationId: 'uploadFile',
          tags,
          summary: 'Uploads a CSV file of runs, read by the profile of its station',
          description: FILE_MEANING,
          params: StationParams,
          querystring: UploadQuery,
          consumes: MEDIA_TYPES,
          body: z.string().describe('The file'),
          response: {
            200: { description: 'One answer a line', content: { [NDJSON]: { schema: BatchLineWire } } },
            ...refusals('file-refused'),
          },
        },
      },
      async (request, reply) => {
        const actor = machineOf(request.actor)
        const { station } = request.params
        const { profile, sentAt } = request.query
        const type = request.headers['content-type'] ?? ''
        if (!MEDIA_TYPES.includes(mediaTypeOf(type))) {
          throw new Problem('media-type-unsupported', { detail: `A file is ${CSV}, or text/plain.` })
        }
        requireOwn(actor, station)
        const sent = {
          station,
          profile,
          sentAt: instantOf(sentAt),
          encoding: encodingOf(type),
        }
        const body = bodyOf(request.raw)
        const { batch, done } = await files.take(actor, sent, body).catch((error: unknown) => {
          if (!request.raw.complete) reply.header('connection', 'close')
          body.stop()
          body.discard()
          throw error
        })
        const answers = async function* () {
          reply.raw.flushHeaders()
          await done
          yield* readLineAnswers(database, batch, 0, () => received.now())
        }
        reply.header('location', `/v1/batches/${batch.batchId}/answers`).type(NDJSON)
        return reply.send(streamed(answers()))
      },
    )
  })
}

function registerReads(app: RestApp, { database }: Services): void {
  app.get(
    '/v1/stations/:station/files',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listFiles',
        tags,
        summary: 'The files that a station sent, taken or refused, the latest first',
        params: StationParams,
        querystring: PageQuery,
        response: { 200: PageWire(StationFileWire), ...refusals('station-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `files/${request.params.station}`,
        place: FilePlaceWire,
        placeOf: ({ fileId }) => fileId,
        read: (page) => listFiles(database.sql, request.params.station, page),
      }),
  )
  app.get(
    '/v1/files/:fileId',
    {
      config: { permission: 'read-run' },
      schema: {
        operationId: 'getFile',
        tags,
        summary: 'A file, by which profile it was read, and why it was refused where it was',
        description: 'The answers to the rows of a file that was taken are those of the batch with its id.',
        params: FileParams,
        response: { 200: StationFileWire, ...refusals('file-not-found') },
      },
    },
    (request) => getFile(database.sql, request.params.fileId, request.actor),
  )
  app.get(
    '/v1/files/:fileId/raw',
    {
      config: { permission: 'read-run' },
      schema: {
        operationId: 'readFileBytes',
        tags,
        summary: 'The bytes of a file exactly as they came',
        params: FileParams,
        response: {
          200: {
            description: 'The bytes',
            content: { 'application/octet-stream': { schema: z.string().meta({ format: 'binary' }) } },
          },
          ...refusals('file-not-found'),
        },
      },
    },
    async (request, reply) => {
      const bytes = await readFileBytes(database.sql, request.params.fileId, request.actor)
      return reply.type('application/octet-stream').send(bytes as unknown as string)
    },
  )
}

/** A station or gateway key sends for its own stations; whether there are others is none of its business. */
function requireOwn(actor: Actor, station: string): void {
  if (speaksFor(actor, station)) return
  throw new Problem('permission-missing', { detail: `This key does not speak for station ${station}.` })
}

function instantOf(text: string | undefined): number | undefined {
  const read = readInstant(text)
  return 'at' in read ? read.at : undefined
}

function mediaTypeOf(type: string): string {
  return (type.split(';', 1)[0] ?? '').trim().toLowerCase()
}

/** The encoding that a media type names, by its WHATWG name; one that is not known stands as it is. */
function encodingOf(type: string): string | undefined {
  const charset = /;\s*charset\s*=\s*"?([^\s;"]+)/i.exec(type)?.[1]
  if (charset === undefined) return undefined
  try {
    return new TextDecoder(charset).encoding
  } catch (error) {
    if (error instanceof RangeError) return charset
    throw error
  }
}
