import type { Outcome, StepVerdict, Verdict } from '../judging/words.ts'
import { reasonCodes, stationVerdicts } from '../judging/words.ts'
import {
  costs,
  type GraphBuilder,
  type GraphEnum,
  type GraphObject,
  wordsEnum,
} from '../platform/http/graphql/builder.ts'
import type { Evidence, ReleaseWire, Standing } from '../units/words.ts'
import type { Answer } from './answer-words.ts'

type Step = Answer['steps'][number]
type Measurement = Step['measurements'][number]

/** What the room of units has said already, for uploads to use. */
export interface UnitWords {
  readonly Release: GraphObject<ReleaseWire>
  readonly Outcome: GraphEnum<Outcome>
  readonly Standing: GraphEnum<Standing>
  readonly Evidence: GraphEnum<Evidence>
  readonly Verdict: GraphEnum<Verdict>
  readonly StepVerdict: GraphEnum<StepVerdict>
}

export type AnswerGraph = ReturnType<typeof graphAnswers>

/** The answer to an upload, with every step, measurement and reason. */
export function graphAnswers(builder: GraphBuilder, words: UnitWords) {
  const Answer = builder.objectRef<Answer>('RunAnswer')
  const Code = builder.objectRef<Answer['codes'][number]>('UploadCode')
  const Reason = builder.objectRef<Answer['reasons'][number]>('VerdictReason')
  const Step = builder.objectRef<Step>('StepAnswer')
  const Measurement = builder.objectRef<Measurement>('MeasurementAnswer')
  const JudgedBy = builder.objectRef<NonNullable<Answer['judgedBy']>>('JudgedBy')
  const Written = builder.objectRef<NonNullable<Measurement['judged']>>('WrittenQuantity')
  const ReasonCode = wordsEnum(builder, 'ReasonCode', reasonCodes)
  const StationVerdict = wordsEnum(builder, 'StationVerdict', stationVerdicts)

  Written.implement({
    description: 'An exact number with its UCUM unit.',
    fields: (t) => ({
      value: t.expose('value', { type: 'Decimal' }),
      unit: t.exposeString('unit'),
      relation: t.field({
        type: 'String',
        description: '= unless it was read as below (<) or above (>).',
        resolve: ({ relation }) => relation ?? '=',
      }),
    }),
  })
  Code.implement({
    description: 'One code of an upload, why, and the way out.',
    fields: (t) => ({
      code: t.exposeString('code'),
      pointer: t.exposeString('pointer', { nullable: true, description: 'Which field; null where no single one is.' }),
      facts: t.expose('facts', { type: 'Json' }),
      action: t.exposeString('action'),
    }),
  })
  Reason.implement({
    fields: (t) => ({
      code: t.expose('code', { type: ReasonCode }),
      facts: t.expose('facts', { type: 'Json' }),
      sentence: t.exposeString('sentence', { description: 'For the technician; may be reworded.' }),
    }),
  })
  Measurement.implement({
    fields: (t) => ({
      measurement: t.exposeString('measurement'),
      verdict: t.expose('verdict', { type: words.Verdict }),
      judged: t.field({
        type: Written,
        nullable: true,
        description: 'The number that was compared, in the unit of the limit.',
        resolve: ({ judged }) => judged ?? null,
      }),
      rounded: t.field({
        type: Written,
        nullable: true,
        description: 'That number rounded, where the plan rounds; it was placed against the limit.',
        resolve: ({ rounded }) => rounded ?? null,
      }),
      limitUpper: t.field({ type: Written, nullable: true, resolve: ({ limitUpper }) => limitUpper ?? null }),
      limitLower: t.field({ type: Written, nullable: true, resolve: ({ limitLower }) => limitLower ?? null }),
      guardBand: t.field({
        type: Written,
        nullable: true,
        description: 'Of a guarded decision rule: how far inside the limit is accepted.',
        resolve: ({ guardBand }) => guardBand ?? null,
      }),
      acceptanceUpper: t.field({
        type: Written,
        nullable: true,
        resolve: ({ acceptanceUpper }) => acceptanceUpper ?? null,
      }),
      acceptanceLower: t.field({
        type: Written,
        nullable: true,
        resolve: ({ acceptanceLower }) => acceptanceLower ?? null,
      }),
      margin: t.field({
        type: Written,
        nullable: true,
        description: 'How far inside the limit; negative beyond it.',
        resolve: ({ margin }) => margin ?? null,
      }),
      reasons: t.field({ type: [Reason], ...costs({ size: 3 }), resolve: ({ reasons }) => reasons }),
    }),
  })
  Step.implement({
    fields: (t) => ({
      step: t.exposeString('step'),
      verdict: t.expose('verdict', { type: words.StepVerdict }),
      reasons: t.field({ type: [Reason], ...costs({ size: 3 }), resolve: ({ reasons }) => reasons }),
      measurements: t.field({
        type: [Measurement],
        ...costs({ size: 4 }),
        resolve: ({ measurements }) => measurements,
      }),
    }),
  })
  JudgedBy.implement({
    description: 'What the verdict rests on.',
    fields: (t) => ({
      plan: t.exposeString('plan'),
      revision: t.exposeInt('revision'),
      revisionDigest: t.exposeString('revisionDigest'),
      productVersion: t.exposeInt('productVersion'),
      editions: t.exposeStringList('editions', { description: 'table/edition, as the revision was checked with.' }),
      decisionRule: t.exposeString('decisionRule'),
      calibration: t.exposeString('calibration', { nullable: true }),
    }),
  })
  Answer.implement({
    description: 'The answer to an upload, as it stands now.',
    fields: (t) => ({
      runId: t.exposeString('runId'),
      uploadKey: t.exposeString('uploadKey', { nullable: true }),
      outcome: t.expose('outcome', { type: words.Outcome, description: 'Never changes.' }),
      standing: t.expose('standing', { type: words.Standing, description: 'The state now.' }),
      codes: t.field({ type: [Code], ...costs({ size: 3 }), resolve: ({ codes }) => codes }),
      verdict: t.expose('verdict', { type: words.Verdict, nullable: true }),
      correctedVerdict: t.expose('correctedVerdict', { type: words.Verdict, nullable: true }),
      stationVerdict: t.expose('stationVerdict', { type: StationVerdict, nullable: true }),
      evidence: t.expose('evidence', { type: words.Evidence, nullable: true }),
      attempt: t.exposeInt('attempt', { nullable: true }),
      contentDigest: t.exposeString('contentDigest'),
      receivedAt: t.expose('receivedAt', { type: 'Instant' }),
      skewMs: t.field({
        type: 'Decimal',
        nullable: true,
        description: 'Received minus sent, in milliseconds; of a clock that is months off it does not fit Int.',
        resolve: ({ skewMs }) => (skewMs === null ? null : String(skewMs)),
      }),
      startedAt: t.expose('startedAt', { type: 'Instant', nullable: true }),
      startedAtUsed: t.expose('startedAtUsed', { type: 'Instant', nullable: true }),
      judgedBy: t.field({ type: JudgedBy, nullable: true, resolve: ({ judgedBy }) => judgedBy }),
      reasons: t.field({ type: [Reason], ...costs({ size: 3 }), resolve: ({ reasons }) => reasons }),
      steps: t.field({ type: [Step], ...costs({ size: 5 }), resolve: ({ steps }) => steps }),
      release: t.field({ type: words.Release, nullable: true, resolve: ({ release }) => release }),
      action: t.exposeString('action'),
    }),
  })
  return { Answer, Code, Written }
}
