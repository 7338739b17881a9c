import type { z } from 'zod'
import { costs, type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { DatedPlaceWire, datedPlace } from '../stations/reads-places.ts'
import { graphFindings, revisionsBy, type StudiesBelow } from './graph-findings.ts'
import { listStudies, readCountsOf, readFindingsOf, readStudies } from './reads.ts'
import { FindingPlaceWire, findingPlace } from './reads-places.ts'
import type { FindingRow, StudyPlace, StudyUncounted } from './record.ts'
import { type Question, type Study, studyStates } from './words.ts'

const studiesListing: Listing<StudyUncounted, StudyPlace> = {
  name: 'studies',
  place: DatedPlaceWire,
  placeOf: ({ askedAt, study }) => datedPlace(askedAt, study),
}
const findingsOf = (study: string): Listing<FindingRow, z.infer<typeof FindingPlaceWire>> => ({
  name: `studies/${study}/findings`,
  place: FindingPlaceWire,
  placeOf: findingPlace,
})

/** Studies, and the runs that they found, page by page. */
export function graphStudies<Unit>(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  below: StudiesBelow<Unit>,
) {
  const { sql } = database
  const Study = builder.objectRef<StudyUncounted>('Study')
  const State = wordsEnum(builder, 'StudyState', studyStates)
  const Count = builder.objectRef<Study['counts'][number]>('StudyCount')
  const Assessment = builder.objectRef<NonNullable<Study['assessment']>>('StudyAssessment')
  const Question = graphQuestion(builder, { database }, below)
  const { FindingConnection } = graphFindings(builder, { database }, below)
  const StudyConnection = builder.connectionObject({ type: Study, name: 'StudyConnection' }, { name: 'StudyEdge' })

  Count.implement({
    fields: (t) => ({
      site: t.exposeString('site'),
      product: t.exposeString('product'),
      shipState: t.expose('shipState', { type: below.ShipState }),
      verdictBefore: t.expose('verdictBefore', { type: below.Verdict }),
      verdictAfter: t.expose('verdictAfter', { type: below.Verdict }),
      count: t.exposeInt('count'),
    }),
  })
  Assessment.implement({
    description: 'What was concluded from the findings, signed over their digest; it closes the study.',
    fields: (t) => ({
      digest: t.exposeString('digest'),
      conclusion: t.exposeString('conclusion'),
      meaning: t.exposeString('meaning'),
      assessedAt: t.expose('assessedAt', { type: 'Instant' }),
      assessedBy: t.exposeString('assessedBy'),
    }),
  })
  Study.implement({
    description:
      'A question over stored runs and what was found; no verdict is rewritten. Records only: local codes and licensed practice govern.',
    fields: (t) => ({
      study: t.exposeString('study'),
      question: t.field({ type: Question, resolve: ({ question }) => question }),
      state: t.expose('state', { type: State }),
      failure: t.exposeString('failure', { nullable: true }),
      total: t.exposeInt('total', { description: 'Runs asked about; counted while it is queued.' }),
      done: t.exposeInt('done'),
      found: t.exposeInt('found'),
      counts: t.loadableList({
        type: Count,
        // Of all findings of the study.
        ...costs({ cost: 100 }),
        load: async (studies: string[]) => {
          const counts = await readCountsOf(sql, studies)
          return studies.map((study) => counts.get(study) ?? [])
        },
        resolve: ({ study }) => study,
      }),
      digest: t.exposeString('digest', { description: 'Of all findings so far, in their order.' }),
      askedAt: t.expose('askedAt', { type: 'Instant' }),
      askedBy: t.exposeString('askedBy'),
      endedAt: t.expose('endedAt', { type: 'Instant', nullable: true }),
      assessment: t.field({ type: Assessment, nullable: true, resolve: ({ assessment }) => assessment }),
      findings: t.loadable({
        type: FindingConnection,
        byPath: true,
        args: pageArgs(builder),
        description:
          'That furthest beyond its limit first; while the study runs they are added anywhere in this order.',
        load: (studies: string[], _context, args) =>
          readConnections(studies, args, findingsOf, async (asked, page) => {
            const rows = await readFindingsOf(sql, asked, page)
            return grouped(asked, rows, ({ study }) => study)
          }),
        resolve: ({ study }) => study,
      }),
    }),
  })
  builder.queryFields((t) => ({
    studies: t.field({
      type: StudyConnection,
      args: pageArgs(builder),
      description: 'The one asked for last first.',
      resolve: (_root, args) => readConnection(args, studiesListing, (page) => listStudies(sql, page)),
    }),
    study: t.loadable({
      type: Study,
      nullable: true,
      args: { study: t.arg({ type: 'Key', required: true }) },
      load: async (keys: string[]) => inOrder(keys, await readStudies(sql, keys), ({ study }) => study),
      resolve: (_root, { study }) => study,
    }),
  }))
  return { Study }
}

type QuestionOf<Kind extends Question['kind']> = Extract<Question, { kind: Kind }>

function graphQuestion<Unit>(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  below: StudiesBelow<Unit>,
) {
  const RevisionChange = builder.objectRef<QuestionOf<'revision-change'>>('RevisionChangeQuestion')
  const CalibrationError = builder.objectRef<QuestionOf<'calibration-error'>>('CalibrationErrorQuestion')
  const EditionChange = builder.objectRef<QuestionOf<'edition-change'>>('EditionChangeQuestion')
  RevisionChange.implement({
    description: 'Accepted runs of one revision, judged again by another.',
    fields: (t) => {
      const details = (side: 'from' | 'to') =>
        t.loadable({
          type: below.Revision,
          nullable: true,
          ...revisionsBy(database.sql),
          resolve: (question) => ({ plan: question.plan, revision: question[side] }),
        })
      return {
        kind: t.exposeString('kind'),
        plan: t.exposeString('plan'),
        from: t.exposeInt('from'),
        fromDetails: details('from'),
        to: t.exposeInt('to'),
        toDetails: details('to'),
        testedFrom: t.expose('testedFrom', { type: 'Instant' }),
        testedUntil: t.field({
          type: 'Instant',
          nullable: true,
          description: 'Null: when it was asked.',
          resolve: ({ testedUntil }) => testedUntil ?? null,
        }),
      }
    },
  })
  CalibrationError.implement({
    description: 'Results of an instrument, corrected by the error that a calibration found.',
    fields: (t) => ({ kind: t.exposeString('kind'), calibration: t.exposeString('calibration') }),
  })
  EditionChange.implement({
    description: 'Accepted runs, judged again with all that an edition demands.',
    fields: (t) => ({
      kind: t.exposeString('kind'),
      table: t.exposeString('table'),
      edition: t.exposeInt('edition'),
      editionDetails: t.loadable({
        type: below.Edition,
        nullable: true,
        ...below.editionsByKey,
        resolve: ({ table, edition }) => ({ table, edition }),
      }),
      digest: t.exposeString('digest'),
      effectiveFrom: t.field({
        type: 'Instant',
        nullable: true,
        description: 'Null: when it was asked.',
        resolve: ({ effectiveFrom }) => effectiveFrom ?? null,
      }),
      bindsBecause: t.string({ nullable: true, resolve: ({ bindsBecause }) => bindsBecause ?? null }),
    }),
  })
  const types = {
    'revision-change': RevisionChange,
    'calibration-error': CalibrationError,
    'edition-change': EditionChange,
  }
  return builder.unionType('StudyQuestion', {
    types: Object.values(types),
    resolveType: ({ kind }) => types[kind],
  })
}
