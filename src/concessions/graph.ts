import type { ListedUpload } from '../intake/answer-words.ts'
import { relaxedLimits } from '../plans/permit-words.ts'
import { type GraphBuilder, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import { readConcessionsOf } from './reads.ts'
import type { ConcessionAnswer, Departure } from './words.ts'

/** Concessions of a run, beside it. */
export function graphConcessions(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  { Run }: { readonly Run: GraphObject<ListedUpload> },
): void {
  const Concession = builder.objectRef<ConcessionAnswer>('Concession')
  const Departure = builder.objectRef<Departure>('Departure')
  const Quantity = builder.objectRef<Departure['limit']>('DepartureNumber')
  const Member = wordsEnum(builder, 'DepartedLimit', relaxedLimits)
  Quantity.implement({
    fields: (t) => ({ value: t.expose('value', { type: 'Decimal' }), unit: t.exposeString('unit') }),
  })
  Departure.implement({
    fields: (t) => ({
      step: t.exposeString('step'),
      measurement: t.exposeString('measurement'),
      member: t.expose('member', { type: Member }),
      limit: t.field({ type: Quantity, resolve: ({ limit }) => limit }),
      judged: t.field({ type: Quantity, resolve: ({ judged }) => judged }),
    }),
  })
  Concession.implement({
    description: 'Leave given after a unit failed; the verdict stays.',
    fields: (t) => ({
      concession: t.exposeString('concession'),
      site: t.exposeString('site'),
      runId: t.exposeString('runId'),
      product: t.exposeString('product'),
      serial: t.exposeString('serial'),
      reference: t.exposeString('reference'),
      reason: t.exposeString('reason'),
      departures: t.field({ type: [Departure], resolve: ({ departures }) => departures }),
      digest: t.exposeString('digest'),
      requestedAt: t.expose('requestedAt', { type: 'Instant' }),
      requestedBy: t.exposeString('requestedBy'),
      approvedAt: t.expose('approvedAt', { type: 'Instant', nullable: true }),
      approvedBy: t.exposeString('approvedBy', { nullable: true }),
      meaning: t.exposeString('meaning', { nullable: true }),
    }),
  })
  builder.objectField(Run, 'concessions', (t) =>
    t.loadableList({
      type: Concession,
      description: 'In the order in which they were asked for.',
      load: async (runIds: string[]) => {
        const byRun = await readConcessionsOf(database.sql, runIds)
        return runIds.map((runId) => byRun.get(runId) ?? [])
      },
      resolve: ({ runId }) => runId,
    }),
  )
}
