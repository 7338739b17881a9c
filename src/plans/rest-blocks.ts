import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { PageWire, PlaceInstant, PlaceNumber, pageQuery, refusals, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { LiftingAnswerWire, LiftingWire } from './act-words.ts'
import { liftBlocks } from './acts/lift.ts'
import { type BlockPlace, listOpenBlocks } from './reads-blocks.ts'
import { type RevisionBlock, RevisionBlockWire } from './record.ts'

const tags = ['plans']

export const BlockPlaceWire: z.ZodType<BlockPlace> = z.tuple([PlaceInstant, KeyWire, PlaceNumber])
export const placeOfBlock = ({ from, plan, revision }: RevisionBlock): BlockPlace => [Date.parse(from), plan, revision]

/** All blocks of the house, and their lifting. */
export function registerBlocks(app: RestApp, services: Services): void {
  const { database, received } = services
  app.get(
    '/v1/blocks',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listOpenBlocks',
        tags,
        summary: 'Blocks open now or still to come, in order of their first instants',
        querystring: z.strictObject({
          ...pageQuery,
          plan: KeyWire.optional(),
          product: KeyWire.optional(),
          site: KeyWire.optional().describe('Those of revisions in force there, now or later'),
        }),
        response: { 200: PageWire(RevisionBlockWire).meta({ id: 'RevisionBlockPage' }), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'blocks',
        place: BlockPlaceWire,
        placeOf: placeOfBlock,
        read: (page) => listOpenBlocks(database.sql, page, { ...request.query, at: received.now() }),
      }),
  )

  app.post(
    '/v1/blocks/lifting',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'liftBlocks',
        tags,
        summary: 'Sign that revisions may be used again from an instant on, as someone who wrote none of them',
        description:
          'A block that has begun stays until it is lifted, also where its cause is gone. Each revision is refused by itself, and ' +
          'told why, while a finding stands against it. Lifting changes what is accepted, not what is safe to touch: the usual ' +
          'high-voltage precautions hold, and local codes and licensed practice govern.',
        body: LiftingWire,
        response: { 200: LiftingAnswerWire, ...refusals('effective-instant-passed', 'rules-changed') },
      },
    },
    (request) => liftBlocks(services, request.person, request.body),
  )
}
