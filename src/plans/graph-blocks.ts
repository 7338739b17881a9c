import { type GraphBuilder, pageArgs } from '../platform/http/graphql/builder.ts'
import { type Listing, readConnection } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { type BlockPlace, listOpenBlocks } from './reads-blocks.ts'
import type { RevisionBlock } from './record.ts'
import { BlockPlaceWire, placeOfBlock } from './rest-blocks.ts'

const listing: Listing<RevisionBlock, BlockPlace> = { name: 'blocks', place: BlockPlaceWire, placeOf: placeOfBlock }

/** The blocks of the house. */
export function graphBlocks(builder: GraphBuilder, { database, received }: Services): void {
  const Block = builder.objectRef<RevisionBlock>('RevisionBlock')
  const BlockConnection = builder.connectionObject(
    { type: Block, name: 'RevisionBlockConnection' },
    { name: 'RevisionBlockEdge' },
  )
  Block.implement({
    description: 'A block that is open or still to come, of a revision that may be used now or later.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      revision: t.exposeInt('revision'),
      digest: t.exposeString('digest'),
      product: t.exposeString('product'),
      operation: t.exposeString('operation'),
      sites: t.exposeStringList('sites'),
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', { type: 'Instant', nullable: true, description: 'Null: without end.' }),
      causeVersion: t.exposeInt('causeVersion', { description: 'The rules version whose publication began it.' }),
      causes: t.exposeStringList('causes'),
      checkedVersion: t.exposeInt('checkedVersion', { description: 'The rules version of the check that says so.' }),
    }),
  })
  builder.queryFields((t) => ({
    blocks: t.field({
      type: BlockConnection,
      args: {
        ...pageArgs(builder),
        plan: t.arg({ type: 'Key' }),
        product: t.arg({ type: 'Key' }),
        site: t.arg({ type: 'Key' }),
      },
      description: 'Blocks open now or still to come, in order of their first instants.',
      resolve: (_root, { plan, product, site, ...args }) =>
        readConnection(args, listing, (page) =>
          listOpenBlocks(database.sql, page, {
            plan: plan ?? undefined,
            product: product ?? undefined,
            site: site ?? undefined,
            at: received.now(),
          }),
        ),
    }),
  }))
}
