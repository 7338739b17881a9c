import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { alertsWindow } from '../intake/reads-window.ts'
import { PageWire, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { readAlerts } from './reads.ts'
import { StationAlertWire } from './words.ts'

export function registerAlerts(app: RestApp, { database, received }: Services): void {
  app.get(
    '/v1/stations/:station/alerts',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listAlerts',
        tags: ['stations'],
        summary: 'What should make somebody look at a station, from its uploads',
        description:
          'Readings next to nothing in a row, with the last plausible one before them; verdicts of the station that differ ' +
          "from the plan's; uploads in a row that cite another product's plan. Computed anew each time; no verdict changes by it.",
        params: z.strictObject({ station: KeyWire }),
        querystring: z.strictObject({
          from: InstantWire.optional().describe('24 hours before `to` where it is left out'),
          to: InstantWire.optional().describe('Now where it is left out'),
        }),
        response: { 200: PageWire(StationAlertWire), ...refusals('station-not-found') },
      },
    },
    async (request) => {
      const window = alertsWindow({ ...request.query, now: received.now() })
      return { items: await readAlerts(database.sql, request.params.station, window), nextCursor: null }
    },
  )
}
