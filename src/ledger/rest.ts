import type { FastifyReply } from 'fastify'
import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { IntegerParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import { writeEvent } from './events.ts'
import { type EventPage, type EventsAsked, readEvents } from './reads.ts'
import type { FeedEnd } from './reads-end.ts'
import { CursorWire, EventPageWire, KindsParam, readCursor, START, writeCursor } from './words.ts'

const LIMIT_DEFAULT = 100
const LIMIT_MAX = 1_000
const WAIT_SECONDS_MAX = 30

const EventsQuery = z.strictObject({
  after: CursorWire.optional().describe('Only what comes after this cursor; without it, from the very first event'),
  limit: IntegerParam({ least: 1, most: LIMIT_MAX }).optional(),
  kinds: KindsParam.optional(),
  site: KeyWire.optional().describe('Leaves out what other sites uploaded; acts of the house stay'),
  wait: IntegerParam({ least: 0, most: WAIT_SECONDS_MAX })
    .optional()
    .describe('Seconds to wait at the end of the feed until something happens; the answer may then hold no event'),
})

export function registerLedger(app: RestApp, services: Services, end: FeedEnd): void {
  app.get(
    '/v1/events',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listEvents',
        tags: ['events'],
        summary: 'What happened, in the one order in which it became known',
        description:
          'Every act and every upload, within a second of its commit. Ask again with `nextCursor` in `after`, and none is ' +
          'missed and none comes twice, however long you were away: places are given after the commit and never change.',
        querystring: EventsQuery,
        response: { 200: EventPageWire, ...refusals('cursor-invalid', 'site-not-found') },
      },
    },
    async (request, reply) => {
      const { after, limit = LIMIT_DEFAULT, kinds, site, wait = 0 } = request.query
      const place = after === undefined ? START : readCursor(after)
      if (place === undefined) throw new Problem('cursor-invalid')
      const asked: EventsAsked = { after: place, limit, kinds: kinds?.split(','), site }
      const page = await waitForEvents(services, end, asked, { milliseconds: wait * 1_000, signal: goneSignal(reply) })
      const items = page.items.map(writeEvent)
      return { items, nextCursor: writeCursor(page.next), atEnd: page.atEnd }
    },
  )
}

/** Reads until there is an event, or nobody wants one any more. Holds no connection of the pool while it waits. */
async function waitForEvents(
  { database }: Services,
  end: FeedEnd,
  asked: EventsAsked,
  { milliseconds, signal }: { readonly milliseconds: number; readonly signal: AbortSignal },
): Promise<EventPage> {
  const until = performance.now() + milliseconds
  let page = await readEvents(database, asked)
  while (page.items.length === 0 && page.atEnd && !end.isClosed && !signal.aborted && performance.now() < until) {
    await end.beyond(page.next.index, { milliseconds: until - performance.now(), signal })
    page = await readEvents(database, { ...asked, after: page.next })
  }
  return page
}

/** Fires once the client has its answer, or is gone. */
function goneSignal(reply: FastifyReply): AbortSignal {
  const gone = new AbortController()
  reply.raw.once('close', () => gone.abort())
  return gone.signal
}
