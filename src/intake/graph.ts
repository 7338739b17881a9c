import { uploadCodes } from '../judging/words.ts'
import { readRevisions } from '../plans/reads-many.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { costs, type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { inOrder, readConnection } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { readStations } from '../stations/reads-many.ts'
import type { Station } from '../stations/words.ts'
import { unitKey } from '../units/reads.ts'
import type { UnitName } from '../units/words.ts'
import type { ListedUpload } from './answer-words.ts'
import { listedOutcomes } from './answer-words.ts'
import { type AnswerGraph, graphAnswers, type UnitWords } from './graph-answers.ts'
import { listUploads, readAnswers, readUploads } from './reads.ts'
import { instantOf, uploadsListing, uploadsWindow } from './reads-window.ts'

const revisionText = ({ plan, revision }: RevisionKey) => `${plan}/${revision}`

export interface GraphBelow<Unit> extends UnitWords {
  readonly Revision: GraphObject<Revision>
  readonly Station: GraphObject<Station>
  readonly Unit: GraphObject<Unit>
  readonly Attempt: GraphObject<{ readonly runId: string }>
  readonly loadUnits: (names: readonly UnitName[]) => Promise<(Unit | null)[]>
}

/** What other rooms add to, or lead to. */
export interface IntakeGraph {
  readonly Run: GraphObject<ListedUpload>
  readonly Written: AnswerGraph['Written']
}

/** Uploads with what became of them, and the answer to each as it stands now. */
export function graphIntake<Unit>(
  builder: GraphBuilder,
  { database, received }: Services,
  below: GraphBelow<Unit>,
): IntakeGraph {
  const { sql } = database
  const Run = builder.objectRef<ListedUpload>('Run')
  const ListedOutcome = wordsEnum(builder, 'ListedOutcome', listedOutcomes)
  const UploadCodeWord = wordsEnum(builder, 'UploadCodeWord', uploadCodes)
  const RunConnection = builder.connectionObject({ type: Run, name: 'RunConnection' }, { name: 'RunEdge' })
  const { Answer, Code, Written }: AnswerGraph = graphAnswers(builder, below)
  const loadRuns = async (runIds: string[]) =>
    inOrder(runIds, await readUploads(database, runIds), ({ runId }) => runId)

  Run.implement({
    description: 'An upload and what became of it; rejected, held, conflicting and unreadable ones too.',
    fields: (t) => ({
      runId: t.exposeString('runId'),
      site: t.exposeString('site'),
      station: t.exposeString('station', { nullable: true }),
      stationDetails: t.loadable({
        type: below.Station,
        nullable: true,
        load: async (keys: string[]) => inOrder(keys, await readStations(sql, keys), ({ station }) => station),
        resolve: ({ station }) => station,
      }),
      uploadKey: t.exposeString('uploadKey', { nullable: true }),
      batchId: t.exposeString('batchId', {
        nullable: true,
        description: 'The batch that it came in; of a row of a CSV file also the id of the file.',
      }),
      line: t.exposeInt('line', { nullable: true, description: 'Its line there; of a CSV file its row.' }),
      sender: t.exposeString('sender', { description: 'The access key it came with.' }),
      outcome: t.expose('outcome', { type: ListedOutcome }),
      status: t.exposeInt('status', { description: 'The first answer.' }),
      codes: t.field({ type: [Code], resolve: ({ codes }) => codes }),
      verdict: t.expose('verdict', { type: below.Verdict, nullable: true }),
      product: t.exposeString('product', { nullable: true }),
      serial: t.exposeString('serial', { nullable: true }),
      unit: t.loadable({
        type: below.Unit,
        nullable: true,
        ...costs({ cost: 20 }),
        description: 'The unit as it stands now; null where the upload names none.',
        loaderOptions: { cacheKeyFn: unitKey },
        load: (names: UnitName[]) => below.loadUnits(names) as Promise<never>,
        resolve: ({ product, serial }) => (product === null || serial === null ? null : { product, serial }),
      }),
      plan: t.exposeString('plan', { nullable: true }),
      revision: t.exposeInt('revision', { nullable: true }),
      revisionDetails: t.loadable({
        type: below.Revision,
        nullable: true,
        description: 'The revision that it cites; null where there is none.',
        loaderOptions: { cacheKeyFn: revisionText },
        load: async (keys: RevisionKey[]) =>
          inOrder(keys.map(revisionText), await readRevisions(sql, keys), revisionText),
        resolve: ({ plan, revision }) => (plan === null || revision === null ? null : { plan, revision }),
      }),
      receivedAt: t.expose('receivedAt', { type: 'Instant' }),
      startedAtUsed: t.expose('startedAtUsed', { type: 'Instant', nullable: true }),
      answer: t.loadable({
        type: Answer,
        nullable: true,
        ...costs({ cost: 20 }),
        description:
          'The answer as it stands now, with every step and measurement; null where the upload became no run.',
        load: async (runIds: string[]) => {
          const answers = await readAnswers(database, runIds)
          return runIds.map((runId) => answers.get(runId) ?? null)
        },
        resolve: ({ runId }) => runId,
      }),
    }),
  })
  builder.objectField(below.Attempt, 'run', (t) =>
    t.loadable({ type: Run, nullable: true, load: loadRuns, resolve: ({ runId }) => runId }),
  )
  builder.queryFields((t) => ({
    runs: t.field({
      type: RunConnection,
      args: {
        ...pageArgs(builder),
        outcome: t.arg({ type: ListedOutcome }),
        site: t.arg({ type: 'Key' }),
        station: t.arg({ type: 'Key' }),
        product: t.arg({ type: 'Key' }),
        serial: t.arg({ type: 'Text' }),
        code: t.arg({ type: UploadCodeWord }),
        from: t.arg({ type: 'Instant', description: 'Received at or after; 31 days before `to` where left out.' }),
        to: t.arg({ type: 'Instant', description: 'Received before; now where left out.' }),
      },
      ...costs({ cost: 20 }),
      description: 'The latest received first.',
      resolve: (_root, { first, after, from, to, ...filters }) => {
        const window = uploadsWindow({
          from: from ? instantOf(from) : undefined,
          to: to ? instantOf(to) : undefined,
          now: received.now(),
        })
        const { outcome, site, station, product, serial, code } = filters
        return readConnection({ first, after }, uploadsListing, (page) =>
          listUploads(database, {
            ...window,
            ...page,
            outcome: outcome ?? undefined,
            site: site ?? undefined,
            station: station ?? undefined,
            product: product ?? undefined,
            serial: serial ?? undefined,
            code: code ?? undefined,
          }),
        )
      },
    }),
    run: t.loadable({
      type: Run,
      nullable: true,
      args: { runId: t.arg({ type: 'Key', required: true }) },
      load: loadRuns,
      resolve: (_root, { runId }) => runId,
    }),
  }))
  return { Run, Written }
}
