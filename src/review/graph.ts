import type { Revision, RevisionKey } from '../plans/record.ts'
import { costs, type GraphBuilder, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import { type Change, changeKinds, type RevisionDiff } from './diff-words.ts'
import { diffRevisionsOf } from './reads-diff.ts'

/** What a revision changes: a field of the revision, written by the room that answers it. */
export function graphReview(
  builder: GraphBuilder,
  { database }: Services,
  { Revision }: { readonly Revision: GraphObject<Revision> },
): void {
  const Diff = builder.objectRef<RevisionDiff>('PlanRevisionDiff')
  const Side = builder.objectRef<RevisionDiff['from']>('PlanRevisionDiffSide')
  const Summary = builder.objectRef<RevisionDiff['summary']>('PlanRevisionDiffSummary')
  const Change = builder.objectRef<Change>('PlanRevisionChange')
  const Kind = wordsEnum(builder, 'PlanRevisionChangeKind', changeKinds)

  Side.implement({
    fields: (t) => ({ revision: t.exposeInt('revision'), digest: t.exposeString('digest') }),
  })
  Summary.implement({
    description: 'How many changes there are of each kind.',
    fields: (t) => Object.fromEntries(changeKinds.map((kind) => [kind, t.exposeInt(kind)])),
  })
  Change.implement({
    fields: (t) => ({
      path: t.exposeString('path', { description: 'JSON Pointer into the content of `to`; of `from` where removed.' }),
      step: t.exposeString('step', { nullable: true, description: 'Null: said by the plan as a whole.' }),
      measurement: t.exposeString('measurement', { nullable: true, description: 'Null: alike for all of the step.' }),
      variants: t.exposeStringList('variants', { nullable: true, description: 'Null: alike for every variant.' }),
      member: t.exposeString('member', { nullable: true, description: 'Null: the step or measurement itself.' }),
      kind: t.expose('kind', { type: Kind }),
      from: t.expose('from', { type: 'Json', nullable: true, description: 'As before; null: there was none.' }),
      to: t.expose('to', { type: 'Json', nullable: true, description: 'As now; null: there is none.' }),
      changePercent: t.expose('changePercent', { type: 'Decimal', nullable: true }),
      sentence: t.exposeString('sentence'),
    }),
  })
  Diff.implement({
    description: 'What a revision asks otherwise than another of its plan.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      from: t.field({ type: Side, resolve: ({ from }) => from }),
      to: t.field({ type: Side, resolve: ({ to }) => to }),
      tightened: t.exposeBoolean('tightened', { description: 'Something was tightened or added.' }),
      loosened: t.exposeBoolean('loosened', { description: 'Something was loosened or removed.' }),
      summary: t.field({ type: Summary, resolve: ({ summary }) => summary }),
      changes: t.field({ type: [Change], resolve: ({ changes }) => changes }),
    }),
  })
  builder.objectField(Revision, 'diff', (t) =>
    t.loadable({
      type: Diff,
      nullable: true,
      byPath: true,
      args: { against: t.arg.int({ description: 'Another revision of the plan; without it the one before.' }) },
      ...costs({ cost: 50 }),
      description: 'What it tightens, loosens, adds or removes; null where there is no revision before it.',
      loaderOptions: { cacheKeyFn: ({ plan, revision }: RevisionKey) => `${plan}/${revision}` },
      load: (keys: RevisionKey[], _context, { against }) => diffRevisionsOf(database.sql, keys, against ?? undefined),
      resolve: ({ plan, revision }) => ({ plan, revision }),
    }),
  )
}
