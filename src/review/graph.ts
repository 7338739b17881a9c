import type { z } from 'zod'
import type { FindingWire } from '../plans/findings.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { costs, type GraphBuilder, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import { orNull } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { findingChanges } from './compare-findings.ts'
import { type Change, changeKinds, type RevisionDiff } from './diff-words.ts'
import { reviewRevision } from './reads.ts'
import { diffRevisionsOf } from './reads-diff.ts'
import type { LimitReason, RevisionReview } from './words.ts'

/** What a revision changes: a field of the revision, written by the room that answers it. */
export function graphReview(
  builder: GraphBuilder,
  services: Services,
  below: { readonly Revision: GraphObject<Revision>; readonly Finding: GraphObject<z.infer<typeof FindingWire>> },
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
  builder.objectField(below.Revision, 'diff', (t) =>
    t.loadable({
      type: Diff,
      nullable: true,
      byPath: true,
      args: { against: t.arg.int({ description: 'Another revision of the plan; without it the one before.' }) },
      ...costs({ cost: 50 }),
      description: 'What it tightens, loosens, adds or removes; null where there is no revision before it.',
      loaderOptions: { cacheKeyFn: ({ plan, revision }: RevisionKey) => `${plan}/${revision}` },
      load: (keys: RevisionKey[], _context, { against }) =>
        diffRevisionsOf(services.database.sql, keys, against ?? undefined),
      resolve: ({ plan, revision }) => ({ plan, revision }),
    }),
  )
  graphRevisionReview(builder, services, { Diff, Change, Finding: below.Finding })
}

/** Asked for one revision at a time, since it checks two contents for the answer. */
function graphRevisionReview(
  builder: GraphBuilder,
  { database }: Services,
  types: {
    readonly Diff: GraphObject<RevisionDiff>
    readonly Change: GraphObject<Change>
    readonly Finding: GraphObject<z.infer<typeof FindingWire>>
  },
): void {
  const Review = builder.objectRef<RevisionReview>('RevisionReview')
  const Reach = builder.objectRef<RevisionReview['reach']>('RevisionReach')
  const Reached = builder.objectRef<RevisionReview['reach']['stations'][number]>('ReachedStation')
  const Compared = builder.objectRef<RevisionReview['findings'][number]>('ComparedFinding')
  const Reason = builder.objectRef<LimitReason>('LimitReason')
  const FindingChange = wordsEnum(builder, 'FindingChange', findingChanges)

  Reason.implement({ fields: (t) => ({ path: t.exposeString('path'), reason: t.exposeString('reason') }) })
  Compared.implement({
    description: 'What rules and physics say of one place in two revisions.',
    fields: (t) => ({
      change: t.expose('change', { type: FindingChange }),
      before: t.field({ type: types.Finding, nullable: true, resolve: ({ before }) => before }),
      after: t.field({ type: types.Finding, nullable: true, resolve: ({ after }) => after }),
    }),
  })
  Reached.implement({
    description: 'A station at which a plan is used, or could be.',
    fields: (t) => ({
      station: t.exposeString('station'),
      site: t.exposeString('site'),
      instrument: t.exposeString('instrument', { nullable: true }),
      revision: t.exposeInt('revision', { nullable: true, description: 'Of the plan, keyed into the instrument now.' }),
      programming: t.exposeString('programming', { nullable: true }),
      toProgram: t.exposeBoolean('toProgram'),
      lastUploadAt: t.expose('lastUploadAt', {
        type: 'Instant',
        nullable: true,
        description: 'Within the last 31 days.',
      }),
    }),
  })
  Reach.implement({
    fields: (t) => ({
      stations: t.field({ type: [Reached], resolve: ({ stations }) => stations }),
      stationCount: t.exposeInt('stationCount'),
      assignmentCount: t.exposeInt('assignmentCount'),
      toProgramCount: t.exposeInt('toProgramCount'),
      unseenCount: t.exposeInt('unseenCount'),
    }),
  })
  Review.implement({
    description: 'What the signer of a revision should have seen.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      revision: t.exposeInt('revision'),
      digest: t.exposeString('digest'),
      against: t.exposeInt('against', { nullable: true }),
      rulesVersion: t.exposeInt('rulesVersion'),
      diff: t.field({ type: types.Diff, nullable: true, resolve: ({ diff }) => diff }),
      findings: t.field({ type: [Compared], resolve: ({ findings }) => findings }),
      findingsLeftOut: t.exposeInt('findingsLeftOut'),
      reach: t.field({ type: Reach, resolve: ({ reach }) => reach }),
      reasonNeededFor: t.field({ type: [types.Change], resolve: ({ reasonNeededFor }) => reasonNeededFor }),
      limitReasons: t.field({ type: [Reason], resolve: ({ limitReasons }) => limitReasons }),
      changeReason: t.exposeString('changeReason', { nullable: true }),
      cautions: t.exposeStringList('cautions'),
    }),
  })
  builder.queryField('revisionReview', (t) =>
    t.field({
      type: Review,
      nullable: true,
      args: {
        plan: t.arg({ type: 'Key', required: true }),
        revision: t.arg.int({ required: true }),
        against: t.arg.int({ description: 'Without it the latest approved one before.' }),
      },
      ...costs({ cost: 500 }),
      resolve: (_root, { plan, revision, against }) =>
        orNull(reviewRevision(database, { plan, revision }, against ?? undefined)),
    }),
  )
}
