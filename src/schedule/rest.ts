import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { IntegerParam, PlaceInstant, pageQuery, refusals, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { readSchedule, readScheduleHead, type ScheduleAsked, type SchedulePlace } from './reads.ts'
import type { Upcoming } from './upcoming.ts'
import { changeKinds, DAYS_DEFAULT, DAYS_MAX, SchedulePageWire } from './words.ts'

export const SchedulePlaceWire: z.ZodType<SchedulePlace> = z.tuple([PlaceInstant, z.string().max(700)])
export const placeOfUpcoming = ({ place }: Upcoming): SchedulePlace => place

/** What is going to happen, and what is to be warned of. */
export function registerSchedule(app: RestApp, { database, received }: Services): void {
  app.get(
    '/v1/schedule',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'readSchedule',
        tags: ['schedule'],
        summary: 'What is going to happen in the next days, in order',
        description:
          'Editions and product versions that take effect; revisions that come into force, end or will be blocked; where ' +
          'nothing will be in force, so that nothing can be tested; calibrations that end. As known now: what is approved, ' +
          'published or cancelled later changes it. Local codes and licensed practice govern.',
        querystring: z.strictObject({
          ...pageQuery,
          days: IntegerParam({ least: 1, most: DAYS_MAX }).optional().describe(`${DAYS_DEFAULT} where left out`),
          site: KeyWire.optional().describe('What concerns that site'),
          kind: z.enum(changeKinds).optional(),
        }),
        response: { 200: SchedulePageWire, ...refusals('cursor-invalid') },
      },
    },
    async (request, reply) => {
      const { days = DAYS_DEFAULT, site, kind } = request.query
      const asked: ScheduleAsked = { days, site, kind, now: received.now() }
      const page = await sendList(request, reply, {
        name: 'schedule',
        place: SchedulePlaceWire,
        placeOf: placeOfUpcoming,
        read: (place) => readSchedule(database.sql, place, asked),
      })
      const head = await readScheduleHead(database.sql, asked)
      return { ...head, items: page.items.map(({ change }) => change), nextCursor: page.nextCursor }
    },
  )
}
