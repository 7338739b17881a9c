import { KeyWire } from '../exact/text.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { costs, type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  orNull,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { readProducts, readVersions } from '../products/reads.ts'
import type { VersionKey } from '../products/record.ts'
import type { Product, ProductVersion } from '../products/words.ts'
import { graphChecks } from './graph-checks.ts'
import { getPlan, getRevision, listPlans } from './reads.ts'
import { readPlans, readPlansOf, readRevisions, readRevisionsOf } from './reads-many.ts'
import type { Plan, Revision, RevisionKey } from './record.ts'
import { revisionStates } from './words.ts'

const plansListing: Listing<Plan, string> = { name: 'plans', place: KeyWire, placeOf: ({ plan }) => plan }
const plansOf = (product: string): Listing<Plan, string> => ({ ...plansListing, name: `plans/${product}` })
const revisionsOf = (plan: string): Listing<Revision, number> => ({
  name: `revisions/${plan}`,
  place: PlaceNumber,
  placeOf: ({ revision }) => revision,
})
const textOf = ({ plan, revision }: RevisionKey) => `${plan}/${revision}`
const versionText = ({ product, version }: VersionKey) => `${product}/${version}`

/** Plans, their revisions, what checks found in them, when they are blocked, and what each changes. */
export function graphPlans(
  builder: GraphBuilder,
  services: Services,
  products: { readonly Product: GraphObject<Product>; readonly ProductVersion: GraphObject<ProductVersion> },
) {
  const { database, received } = services
  const { sql } = database
  const Plan = builder.objectRef<Plan>('Plan')
  const Revision = builder.objectRef<Revision>('PlanRevision')
  const InForce = builder.objectRef<Revision['inForce'][number]>('PlanRevisionInForce')
  const State = wordsEnum(builder, 'PlanRevisionState', revisionStates)
  const PlanConnection = builder.connectionObject({ type: Plan, name: 'PlanConnection' }, { name: 'PlanEdge' })
  const RevisionConnection = builder.connectionObject(
    { type: Revision, name: 'PlanRevisionConnection' },
    { name: 'PlanRevisionEdge' },
  )
  const { Check, Finding, FindingConnection, Block, loadFindings, loadBlocks } = graphChecks(builder, services)
  const loadRevisions = async (keys: RevisionKey[]) => inOrder(keys.map(textOf), await readRevisions(sql, keys), textOf)

  Plan.implement({
    description: 'A plan and where its revisions stand.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      product: t.exposeString('product'),
      productDetails: t.loadable({
        type: products.Product,
        nullable: true,
        load: async (keys: string[]) =>
          inOrder(keys, await readProducts(sql, keys, received.now()), ({ product }) => product),
        resolve: ({ product }) => product,
      }),
      operation: t.exposeString('operation'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      latestRevision: t.exposeInt('latestRevision'),
      revisionsInForce: t.exposeIntList('revisionsInForce', {
        description: 'Those in force now for some variant at some site, ascending.',
      }),
      revisions: t.loadable({
        type: RevisionConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'Ascending.',
        load: (plans: string[], _context, args) =>
          readConnections(plans, args, revisionsOf, async (asked, { after = 0, limit }) =>
            grouped(asked, await readRevisionsOf(sql, asked, { after, limit }), ({ plan }) => plan),
          ),
        resolve: ({ plan }) => plan,
      }),
    }),
  })
  InForce.implement({
    description: 'Where and when a revision is or was in force.',
    fields: (t) => ({
      variant: t.exposeString('variant', { nullable: true, description: 'Null where the product has no variants.' }),
      site: t.exposeString('site'),
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', {
        type: 'Instant',
        nullable: true,
        description: 'Null: open; equal to from: never in force.',
      }),
    }),
  })
  Revision.implement({
    description: 'A revision of a plan. What has not happened yet is null.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      planDetails: t.loadable({
        type: Plan,
        nullable: true,
        load: async (keys: string[]) => inOrder(keys, await readPlans(sql, keys, received.now()), ({ plan }) => plan),
        resolve: ({ plan }) => plan,
      }),
      revision: t.exposeInt('revision'),
      state: t.expose('state', { type: State }),
      content: t.expose('content', { type: 'Json', ...costs({ cost: 10 }), description: 'What the digest covers.' }),
      productVersionDetails: t.loadable({
        type: products.ProductVersion,
        nullable: true,
        description: 'The product version that its content cites.',
        loaderOptions: { cacheKeyFn: versionText },
        load: async (keys: VersionKey[]) => inOrder(keys.map(versionText), await readVersions(sql, keys), versionText),
        resolve: ({ content }) => ({ product: content.product, version: content.productVersion }),
      }),
      digest: t.exposeString('digest'),
      changeReason: t.exposeString('changeReason', { nullable: true }),
      authors: t.exposeStringList('authors'),
      createdAt: t.expose('createdAt', { type: 'Instant' }),
      submittedAt: t.expose('submittedAt', { type: 'Instant', nullable: true }),
      submittedBy: t.exposeString('submittedBy', { nullable: true }),
      approvedAt: t.expose('approvedAt', { type: 'Instant', nullable: true }),
      approvedBy: t.exposeString('approvedBy', { nullable: true }),
      approvedMeaning: t.exposeString('approvedMeaning', { nullable: true }),
      approvedComment: t.exposeString('approvedComment', { nullable: true }),
      inForceFrom: t.expose('inForceFrom', { type: 'Instant', nullable: true }),
      withdrawnAt: t.expose('withdrawnAt', { type: 'Instant', nullable: true }),
      withdrawnBy: t.exposeString('withdrawnBy', { nullable: true }),
      withdrawnReason: t.exposeString('withdrawnReason', { nullable: true }),
      withdrawnFrom: t.expose('withdrawnFrom', { type: 'Instant', nullable: true }),
      inForce: t.field({ type: [InForce], resolve: ({ inForce }) => inForce }),
      check: t.field({
        type: Check,
        nullable: true,
        description: 'The newest check; null for a draft.',
        resolve: ({ check }) => check,
      }),
      findings: t.loadable({
        type: FindingConnection,
        byPath: true,
        args: pageArgs(builder),
        ...costs({ cost: 20 }),
        description: 'What the newest check found; a draft is checked for the answer alone.',
        loaderOptions: { cacheKeyFn: textOf },
        load: (keys: RevisionKey[], _context, args) => loadFindings(keys, args),
        resolve: ({ plan, revision }) => ({ plan, revision }),
      }),
      blocks: t.loadableList({
        type: Block,
        description: 'When it must not be used, by its newest check, ascending.',
        loaderOptions: { cacheKeyFn: textOf },
        load: loadBlocks,
        resolve: ({ plan, revision }) => ({ plan, revision }),
      }),
    }),
  })
  builder.objectField(products.Product, 'plans', (t) =>
    t.loadable({
      type: PlanConnection,
      byPath: true,
      args: pageArgs(builder),
      description: 'In order of their keys.',
      load: (keys: string[], _context, args) =>
        readConnections(keys, args, plansOf, async (asked, { after = '', limit }) =>
          grouped(asked, await readPlansOf(sql, asked, { after, limit }, received.now()), ({ product }) => product),
        ),
      resolve: ({ product }) => product,
    }),
  )
  builder.queryFields((t) => ({
    plans: t.field({
      type: PlanConnection,
      args: pageArgs(builder),
      description: 'In order of their keys.',
      resolve: (_root, args) =>
        readConnection(args, plansListing, ({ after = '', limit }) => listPlans(sql, { after, limit }, received.now())),
    }),
    plan: t.field({
      type: Plan,
      nullable: true,
      args: { plan: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { plan }) => orNull(getPlan(sql, plan, received.now())),
    }),
    planRevision: t.field({
      type: Revision,
      nullable: true,
      args: { plan: t.arg({ type: 'Key', required: true }), revision: t.arg.int({ required: true }) },
      resolve: (_root, key) => orNull(getRevision(sql, key)),
    }),
  }))
  return { Plan, Revision, Finding, loadRevisions }
}
