import type { ListedUpload } from '../intake/answer-words.ts'
import { readUploads } from '../intake/reads.ts'
import type { Verdict } from '../judging/words.ts'
import { readRevisions } from '../plans/reads-many.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { costs, type GraphBuilder, type GraphEnum, type GraphObject } from '../platform/http/graphql/builder.ts'
import { inOrder } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import type { Edition, EditionKey } from '../rules/record.ts'
import type { StepKind } from '../rules/words.ts'
import type { ShipState } from '../units/event-words.ts'
import { unitKey } from '../units/reads.ts'
import type { UnitName } from '../units/words.ts'
import type { FindingRow } from './record.ts'
import type { MeasurementFound } from './words.ts'

type NumberWritten = Pick<NonNullable<MeasurementFound['judgedAfter']>, 'value' | 'unit'> & {
  readonly relation?: '<' | '=' | '>' | undefined
}

/** What the rooms below have said already, for studies to lead to. */
export interface StudiesBelow<Unit> {
  readonly Revision: GraphObject<Revision>
  readonly Run: GraphObject<ListedUpload>
  readonly Unit: GraphObject<Unit>
  readonly loadUnits: (names: readonly UnitName[]) => Promise<(Unit | null)[]>
  /** An exact number with its unit, as answers to uploads write it. */
  readonly Written: GraphObject<NumberWritten>
  readonly Verdict: GraphEnum<Verdict>
  readonly ShipState: GraphEnum<ShipState>
  readonly StepKind: GraphEnum<StepKind>
  readonly Edition: GraphObject<Edition>
  /** How editions are loaded, for all that ask at once. */
  readonly editionsByKey: {
    readonly loaderOptions: { readonly cacheKeyFn: (key: EditionKey) => string }
    readonly load: (keys: EditionKey[]) => Promise<(Edition | null)[]>
  }
}

const NUMBERS = {
  judgedBefore: 'As stored.',
  judgedAfter: 'Corrected, where the question is about an error.',
  limitUpperBefore: undefined,
  limitUpperAfter: undefined,
  limitLowerBefore: undefined,
  limitLowerAfter: undefined,
  margin: 'To the limit as it is after; negative beyond it.',
} as const

/** Runs that a study found, with the run, the unit and the revision as they stand now. */
export function graphFindings<Unit>(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  below: StudiesBelow<Unit>,
) {
  const Finding = builder.objectRef<FindingRow>('StudyFinding')
  const Measurement = builder.objectRef<MeasurementFound>('StudyMeasurement')
  const FindingConnection = builder.connectionObject(
    { type: Finding, name: 'StudyFindingConnection' },
    { name: 'StudyFindingEdge' },
  )
  Measurement.implement({
    fields: (t) => {
      const number = (name: keyof typeof NUMBERS) =>
        t.field({
          type: below.Written,
          nullable: true,
          ...(NUMBERS[name] === undefined ? {} : { description: NUMBERS[name] }),
          resolve: (measurement) => measurement[name],
        })
      return {
        step: t.exposeString('step'),
        measurement: t.exposeString('measurement'),
        kind: t.expose('kind', { type: below.StepKind }),
        verdictBefore: t.expose('verdictBefore', { type: below.Verdict }),
        verdictAfter: t.expose('verdictAfter', { type: below.Verdict }),
        judgedBefore: number('judgedBefore'),
        judgedAfter: number('judgedAfter'),
        limitUpperBefore: number('limitUpperBefore'),
        limitUpperAfter: number('limitUpperAfter'),
        limitLowerBefore: number('limitLowerBefore'),
        limitLowerAfter: number('limitLowerAfter'),
        margin: number('margin'),
        reasons: t.exposeStringList('reasons', { description: 'Codes of what the judge found after.' }),
      }
    },
  })
  Finding.implement({
    description: 'A run that gets worse, or was corrected. The run keeps its verdict.',
    fields: (t) => {
      const text = (name: 'runId' | 'site' | 'station' | 'instrument' | 'product' | 'variant' | 'serial' | 'plan') =>
        t.field({ type: 'String', resolve: ({ finding }) => finding[name] })
      return {
        ordinal: t.int({ resolve: ({ finding }) => finding.ordinal }),
        runId: text('runId'),
        run: t.loadable({
          type: below.Run,
          nullable: true,
          load: async (runIds: string[]) => inOrder(runIds, await readUploads(database, runIds), ({ runId }) => runId),
          resolve: ({ finding }) => finding.runId,
        }),
        site: text('site'),
        station: text('station'),
        instrument: text('instrument'),
        startedAt: t.field({ type: 'Instant', resolve: ({ finding }) => finding.startedAt }),
        product: text('product'),
        variant: text('variant'),
        serial: text('serial'),
        unit: t.loadable({
          type: below.Unit,
          nullable: true,
          ...costs({ cost: 20 }),
          description: 'The unit as it stands now.',
          loaderOptions: { cacheKeyFn: unitKey },
          load: (names: UnitName[]) => below.loadUnits(names) as Promise<never>,
          resolve: ({ finding: { product, serial } }) => ({ product, serial }),
        }),
        plan: text('plan'),
        revision: t.int({ resolve: ({ finding }) => finding.revision }),
        revisionDetails: t.loadable({
          type: below.Revision,
          nullable: true,
          description: 'The revision that it was judged by.',
          ...revisionsBy(database.sql),
          resolve: ({ finding: { plan, revision } }) => ({ plan, revision }),
        }),
        shipState: t.field({
          type: below.ShipState,
          description: 'Where the unit was when the study came to it.',
          resolve: ({ finding }) => finding.shipState,
        }),
        verdictBefore: t.field({
          type: below.Verdict,
          description: 'As stored; a study rewrites no verdict.',
          resolve: ({ finding }) => finding.verdictBefore,
        }),
        verdictAfter: t.field({ type: below.Verdict, resolve: ({ finding }) => finding.verdictAfter }),
        measurements: t.field({
          type: [Measurement],
          ...costs({ size: 4 }),
          resolve: ({ finding }) => finding.measurements,
        }),
      }
    },
  })
  return { FindingConnection }
}

/** How revisions are loaded, for all that ask at once. */
export function revisionsBy(sql: Services['database']['sql']) {
  const revisionText = ({ plan, revision }: RevisionKey) => `${plan}/${revision}`
  return {
    loaderOptions: { cacheKeyFn: revisionText },
    load: async (keys: RevisionKey[]) => inOrder(keys.map(revisionText), await readRevisions(sql, keys), revisionText),
  }
}
