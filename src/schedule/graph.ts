import { costs, type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { connectionOf, type Listing, pageOf } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import { readSchedule, type SchedulePlace } from './reads.ts'
import { placeOfUpcoming, SchedulePlaceWire } from './rest.ts'
import type { Upcoming } from './upcoming.ts'
import { changeKinds, DAYS_DEFAULT, DAYS_MAX, gapReasons, type ScheduledChange } from './words.ts'

const listing: Listing<Upcoming, SchedulePlace> = {
  name: 'schedule',
  place: SchedulePlaceWire,
  placeOf: placeOfUpcoming,
}

/** What is going to happen. */
export function graphSchedule(builder: GraphBuilder, { database, received }: Services): void {
  const Change = builder.objectRef<ScheduledChange>('ScheduledChange')
  const Kind = wordsEnum(builder, 'ScheduledKind', changeKinds)
  const Reason = wordsEnum(builder, 'GapReason', gapReasons)
  const ChangeConnection = builder.connectionObject(
    { type: Change, name: 'ScheduledChangeConnection' },
    { name: 'ScheduledChangeEdge' },
  )
  Change.implement({
    description: 'One thing that is going to happen, as known now. What does not apply is null, or an empty list.',
    fields: (t) => ({
      at: t.expose('at', { type: 'Instant' }),
      kind: t.expose('kind', { type: Kind }),
      sites: t.exposeStringList('sites', { nullable: true, description: 'Null: everywhere.' }),
      product: t.exposeString('product', { nullable: true }),
      version: t.exposeInt('version', { nullable: true }),
      operation: t.exposeString('operation', { nullable: true }),
      variants: t.exposeStringList('variants'),
      plan: t.exposeString('plan', { nullable: true }),
      revision: t.exposeInt('revision', { nullable: true }),
      because: t.expose('because', { type: Reason, nullable: true, description: 'Why nothing is in force.' }),
      causes: t.exposeStringList('causes'),
      until: t.expose('until', { type: 'Instant', nullable: true, description: 'When something is in force again.' }),
      table: t.exposeString('table', { nullable: true }),
      edition: t.exposeInt('edition', { nullable: true }),
      station: t.exposeString('station', { nullable: true }),
      instrument: t.exposeString('instrument', { nullable: true }),
      calibration: t.exposeString('calibration', { nullable: true }),
    }),
  })
  builder.queryFields((t) => ({
    schedule: t.field({
      type: ChangeConnection,
      args: {
        ...pageArgs(builder),
        days: t.arg.int({ defaultValue: DAYS_DEFAULT }),
        site: t.arg({ type: 'Key' }),
        kind: t.arg({ type: Kind }),
      },
      ...costs({ cost: 20 }),
      description: 'What is going to happen in the next days, in order.',
      resolve: async (_root, { days, site, kind, ...args }) => {
        const page = pageOf(args, listing)
        const asked = { days: daysOf(days), site: site ?? undefined, kind: kind ?? undefined, now: received.now() }
        const { edges, pageInfo } = connectionOf(await readSchedule(database.sql, page, asked), page, listing)
        return { edges: edges.map(({ cursor, node }) => ({ cursor, node: node.change })), pageInfo }
      },
    }),
  }))
}

/** @throws Problem `parameter-invalid`, as over REST */
function daysOf(days: number | null | undefined): number {
  const asked = days ?? DAYS_DEFAULT
  if (asked >= 1 && asked <= DAYS_MAX) return asked
  const detail = `days is 1 to ${DAYS_MAX}.`
  throw new Problem('parameter-invalid', { detail, errors: [{ pointer: '/days', detail, in: 'query' }] })
}
