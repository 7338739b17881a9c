import { type GraphBuilder, wordsEnum } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import { type Change, changeKinds, type RevisionDiff } from './diff-words.ts'
import { diffRevisionsOf } from './reads-many.ts'
import type { RevisionKey } from './record.ts'

/** What a revision changes. */
export function graphDiff(builder: GraphBuilder, { database }: Services) {
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
  const loadDiffs = (keys: RevisionKey[], against: number | undefined) => diffRevisionsOf(database.sql, keys, against)
  return { Diff, loadDiffs }
}
