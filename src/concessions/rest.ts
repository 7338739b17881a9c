import { z } from 'zod'
import { isWellFormedText, KeyWire } from '../exact/text.ts'
import { PageWire, pageQuery, refusals, sendCreated, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'
import { approveConcession, requestConcession } from './acts.ts'
import { type ConcessionPlace, getConcession, listConcessions } from './reads.ts'
import { type ConcessionAnswer, ConcessionApprovalWire, ConcessionDraftWire, ConcessionWire } from './words.ts'

const tags = ['units']
const Params = z.strictObject({ site: KeyWire, concession: KeyWire })
const PlaceWire = z.tuple([KeyWire, KeyWire])

/** Leave given after a unit failed. */
export function registerConcessions(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/concessions',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'requestConcession',
        tags,
        summary: 'Ask for leave to release a unit that failed on numbers beyond its limits',
        description:
          'The verdict stays `fail`. A breakdown, a test that was none, or a number of which only a bound is known cannot be ' +
          'conceded. Once another person has approved it, the run no longer keeps its unit from shipping.',
        body: ConcessionDraftWire,
        response: { 201: ConcessionWire, ...refusals('run-not-found', 'already-exists', 'state-conflict') },
      },
    },
    async (request, reply) => {
      const asked = await requestConcession(database, request.person, request.body)
      return sendCreated(reply, ['concessions', asked.site, asked.concession], asked)
    },
  )
  app.get(
    '/v1/concessions',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listConcessions',
        tags,
        summary: 'Concessions in order of site and key, of one unit where it is named',
        querystring: z.strictObject({
          ...pageQuery,
          product: KeyWire.optional(),
          serial: z.string().min(1).max(RAW_LENGTH_MAX).refine(isWellFormedText).optional(),
        }),
        response: { 200: PageWire(ConcessionWire).meta({ id: 'ConcessionPage' }), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList<ConcessionPlace, ConcessionAnswer>(request, reply, {
        name: 'concessions',
        place: PlaceWire,
        placeOf: ({ site, concession }) => [site, concession],
        read: (page) => listConcessions(database.sql, page, request.query),
      }),
  )
  app.get(
    '/v1/concessions/:site/:concession',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getConcession',
        tags,
        summary: 'One concession, with the numbers that it accepts',
        params: Params,
        response: { 200: ConcessionWire, ...refusals('concession-not-found') },
      },
    },
    (request) => getConcession(database.sql, request.params),
  )
  app.post(
    '/v1/concessions/:site/:concession/approval',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'approveConcession',
        tags,
        summary: 'Give the leave, as the second person; refused where rules in effect would not allow the numbers',
        params: Params,
        body: ConcessionApprovalWire,
        response: {
          200: ConcessionWire,
          ...refusals(
            'concession-not-found',
            'run-not-found',
            'revision-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'beyond-rules',
            'rules-changed',
          ),
        },
      },
    },
    (request) => approveConcession(database, request.person, request.params, request.body),
  )
}
