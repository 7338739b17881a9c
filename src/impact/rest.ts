import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  refusals,
  sendCreated,
  sendList,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { askImpact } from './acts.ts'
import { getImpact, listImpactFindings } from './reads.ts'
import { ImpactFindingWire, ImpactRequestWire, ImpactWire } from './words.ts'

const EditionParams = z.strictObject({ table: KeyWire, edition: NumberParam })
const ImpactParams = z.strictObject({ impact: KeyWire })
const tags = ['rules']

/** What publishing an edition would do. */
export function registerImpact(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/rule-tables/:table/editions/:edition/impact',
    {
      config: { permission: 'ask' },
      schema: {
        operationId: 'askImpact',
        tags,
        summary: 'Ask what publishing an edition would do to plans, permits and stored runs, before anybody signs it',
        description:
          'Live revisions are checked with the edition as if it were published now, and only what it would newly block is ' +
          'listed; a large house is gone through in the background. Stored accepted runs are studied in the background: of ' +
          'alternatives the one that the plan departs from least is demanded of them. Nothing is stored of the plans, and no ' +
          'verdict is rewritten. Records only; local codes and licensed practice govern.',
        params: EditionParams,
        body: ImpactRequestWire,
        response: {
          201: ImpactWire,
          ...refusals('edition-not-found', 'state-conflict', 'digest-stale', 'effective-instant-passed'),
        },
      },
    },
    async (request, reply) => {
      const impact = await askImpact(database, request.person, request.params, request.body)
      return sendCreated(reply, ['impacts', impact.impact], impact)
    },
  )
  app.get(
    '/v1/impacts/:impact',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getImpact',
        tags,
        summary: 'How far an impact came, its figures and its first findings',
        params: ImpactParams,
        response: { 200: ImpactWire, ...refusals('impact-not-found') },
      },
    },
    (request) => getImpact(database, request.params.impact),
  )
  app.get(
    '/v1/impacts/:impact/findings',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listImpactFindings',
        tags,
        summary: 'The revisions and permits that a publication would reach, in order of plans',
        params: ImpactParams,
        querystring: z.strictObject(pageQuery),
        response: { 200: PageWire(ImpactFindingWire), ...refusals('impact-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `impacts/${request.params.impact}/findings`,
        place: PlaceNumber,
        placeOf: ({ ordinal }) => ordinal,
        read: ({ after = 0, limit }) => listImpactFindings(database.sql, request.params.impact, { after, limit }),
      }),
  )
}
