import { KeyWire } from '../exact/text.ts'
import { type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { type Listing, orNull, readConnection } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { type PermitAnswer, permitStates } from './permit-words.ts'
import { getPermit, listPermits } from './reads-permits.ts'

const permitsListing: Listing<PermitAnswer, string> = {
  name: 'permits',
  place: KeyWire,
  placeOf: ({ permit }) => permit,
}

/** Deviation permits, with how many units have passed under each. */
export function graphPermits(builder: GraphBuilder, { database }: Pick<Services, 'database'>): void {
  const { sql } = database
  const Permit = builder.objectRef<PermitAnswer>('Permit')
  const State = wordsEnum(builder, 'PermitState', permitStates)
  const PermitConnection = builder.connectionObject({ type: Permit, name: 'PermitConnection' }, { name: 'PermitEdge' })
  Permit.implement({
    description: 'Leave to depart from one limit of a revision, given beforehand; never beyond the rules.',
    fields: (t) => ({
      permit: t.exposeString('permit'),
      state: t.expose('state', { type: State }),
      content: t.field({ type: 'Json', resolve: ({ content }) => content }),
      digest: t.exposeString('digest'),
      requestedAt: t.expose('requestedAt', { type: 'Instant' }),
      requestedBy: t.exposeString('requestedBy'),
      approvedAt: t.expose('approvedAt', { type: 'Instant', nullable: true }),
      approvedBy: t.exposeString('approvedBy', { nullable: true }),
      meaning: t.exposeString('meaning', { nullable: true }),
      validFrom: t.expose('validFrom', { type: 'Instant', nullable: true }),
      validUntil: t.expose('validUntil', { type: 'Instant' }),
      withdrawnAt: t.expose('withdrawnAt', { type: 'Instant', nullable: true }),
      withdrawnBy: t.exposeString('withdrawnBy', { nullable: true }),
      withdrawalReason: t.exposeString('withdrawalReason', { nullable: true }),
      blockedFrom: t.expose('blockedFrom', { type: 'Instant', nullable: true }),
      causes: t.exposeStringList('causes'),
      used: t.exposeInt('used'),
    }),
  })
  builder.queryFields((t) => ({
    permits: t.field({
      type: PermitConnection,
      args: { ...pageArgs(builder), plan: t.arg({ type: 'Key' }), revision: t.arg.int() },
      resolve: (_root, { plan, revision, ...args }) =>
        readConnection(args, permitsListing, (page) =>
          listPermits(sql, page, { plan: plan ?? undefined, revision: revision ?? undefined }),
        ),
    }),
    permit: t.field({
      type: Permit,
      nullable: true,
      args: { permit: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { permit }) => orNull(getPermit(sql, permit)),
    }),
  }))
}
