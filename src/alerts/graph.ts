import { alertsWindow } from '../intake/reads-window.ts'
import { costs, type GraphBuilder, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import type { Station } from '../stations/words.ts'
import { readAlerts } from './reads.ts'
import { alertCodes, type StationAlert } from './words.ts'

/** What should make somebody look at a station, beside the station. */
export function graphAlerts(
  builder: GraphBuilder,
  { database, received }: Pick<Services, 'database' | 'received'>,
  below: { readonly Station: GraphObject<Station> },
): void {
  const Alert = builder.objectRef<StationAlert>('StationAlert')
  const Run = builder.objectRef<StationAlert['runs'][number]>('AlertedRun')
  const Plausible = builder.objectRef<NonNullable<StationAlert['lastPlausible']>>('PlausibleReading')
  const Code = wordsEnum(builder, 'AlertCode', alertCodes)
  Run.implement({
    fields: (t) => ({
      runId: t.exposeString('runId'),
      serial: t.exposeString('serial', { nullable: true }),
      at: t.expose('at', { type: 'Instant' }),
    }),
  })
  Plausible.implement({
    fields: (t) => ({
      runId: t.exposeString('runId'),
      serial: t.exposeString('serial', { nullable: true }),
      at: t.expose('at', { type: 'Instant' }),
      reading: t.exposeString('reading'),
    }),
  })
  Alert.implement({
    description: 'What should make somebody look at a station, computed anew each time.',
    fields: (t) => ({
      code: t.expose('code', { type: Code }),
      station: t.exposeString('station'),
      since: t.expose('since', { type: 'Instant' }),
      until: t.expose('until', { type: 'Instant' }),
      count: t.exposeInt('count'),
      isOpen: t.exposeBoolean('isOpen'),
      step: t.exposeString('step', { nullable: true }),
      measurement: t.exposeString('measurement', { nullable: true }),
      lastPlausible: t.field({ type: Plausible, nullable: true, resolve: ({ lastPlausible }) => lastPlausible }),
      runs: t.field({ type: [Run], resolve: ({ runs }) => runs }),
      sentence: t.exposeString('sentence'),
    }),
  })
  builder.objectField(below.Station, 'alerts', (t) =>
    t.field({
      type: [Alert],
      args: {
        from: t.arg({ type: 'Instant', description: '24 hours before `to` where left out.' }),
        to: t.arg({ type: 'Instant', description: 'Now where left out.' }),
      },
      // Each station is asked by itself, so a list of them is dear.
      ...costs({ cost: 500 }),
      resolve: ({ station }, { from, to }) =>
        readAlerts(
          database.sql,
          station,
          alertsWindow({ from: from ?? undefined, to: to ?? undefined, now: received.now() }),
        ),
    }),
  )
}
