import type { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { type GraphBuilder, type GraphEnum, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { type Listing, orNull, readConnection } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import type { StepKind } from '../rules/words.ts'
import { DatedPlaceWire, datedPlace } from '../stations/reads-places.ts'
import {
  getCheckPlan,
  getReferenceUnit,
  getStationCheck,
  listCheckPlans,
  listReferenceUnits,
  listStationChecks,
} from './reads.ts'
import { type CheckPlan, type ReferenceUnit, type StationCheckAnswer, saidWords, shownWords } from './words.ts'

const unitsListing: Listing<ReferenceUnit, string> = {
  name: 'reference-units',
  place: KeyWire,
  placeOf: ({ referenceUnit }) => referenceUnit,
}
const plansOf = (station: string): Listing<CheckPlan, number> => ({
  name: `check-plans/${station}`,
  place: PlaceNumber,
  placeOf: ({ checkPlan }) => checkPlan,
})
const checksListing: Listing<StationCheckAnswer, z.infer<typeof DatedPlaceWire>> = {
  name: 'station-checks',
  place: DatedPlaceWire,
  placeOf: ({ at, stationCheck }) => datedPlace(at, stationCheck),
}

/** Reference units, what is to be checked at stations, and what was found. */
export function graphStationChecks(
  builder: GraphBuilder,
  { database }: Services,
  { StepKind: Kind }: { readonly StepKind: GraphEnum<StepKind> },
): void {
  const { sql } = database
  const Unit = builder.objectRef<ReferenceUnit>('ReferenceUnit')
  const Shows = builder.objectRef<ReferenceUnit['shows'][number]>('ReferenceUnitShows')
  const Plan = builder.objectRef<CheckPlan>('CheckPlan')
  const ValidFor = builder.objectRef<CheckPlan['validFor']>('CheckValidity')
  const Check = builder.objectRef<StationCheckAnswer>('StationCheck')
  const Result = builder.objectRef<StationCheckAnswer['results'][number]>('StationCheckResult')
  const Says = builder.objectRef<StationCheckAnswer['says'][number]>('StationCheckSays')
  const Shown = wordsEnum(builder, 'ShownWord', shownWords)
  const Said = wordsEnum(builder, 'StationCheckWord', saidWords)
  const UnitConnection = builder.connectionObject(
    { type: Unit, name: 'ReferenceUnitConnection' },
    { name: 'ReferenceUnitEdge' },
  )
  const PlanConnection = builder.connectionObject(
    { type: Plan, name: 'CheckPlanConnection' },
    { name: 'CheckPlanEdge' },
  )
  const CheckConnection = builder.connectionObject(
    { type: Check, name: 'StationCheckConnection' },
    { name: 'StationCheckEdge' },
  )

  Shows.implement({
    fields: (t) => ({ kind: t.expose('kind', { type: Kind }), expected: t.expose('expected', { type: Shown }) }),
  })
  Unit.implement({
    description: 'A unit of which it is known what a tester must say of it.',
    fields: (t) => ({
      referenceUnit: t.exposeString('referenceUnit'),
      name: t.exposeString('name'),
      shows: t.field({ type: [Shows], resolve: ({ shows }) => shows }),
      digest: t.exposeString('digest'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      confirmedAt: t.expose('confirmedAt', { type: 'Instant', nullable: true }),
      confirmedBy: t.exposeString('confirmedBy', { nullable: true }),
      meaning: t.exposeString('meaning', { nullable: true }),
      withdrawnAt: t.expose('withdrawnAt', { type: 'Instant', nullable: true }),
      withdrawnBy: t.exposeString('withdrawnBy', { nullable: true }),
      withdrawalReason: t.exposeString('withdrawalReason', { nullable: true }),
    }),
  })
  ValidFor.implement({
    fields: (t) => ({ value: t.expose('value', { type: 'Decimal' }), unit: t.exposeString('unit') }),
  })
  Plan.implement({
    description: 'What is to be checked at a station, and for how long a good check holds.',
    fields: (t) => ({
      station: t.exposeString('station'),
      checkPlan: t.exposeInt('checkPlan'),
      kinds: t.field({ type: [Kind], resolve: ({ kinds }) => kinds }),
      validFor: t.field({ type: ValidFor, resolve: ({ validFor }) => validFor }),
      digest: t.exposeString('digest'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      confirmedAt: t.expose('confirmedAt', { type: 'Instant', nullable: true }),
      confirmedBy: t.exposeString('confirmedBy', { nullable: true }),
      meaning: t.exposeString('meaning', { nullable: true }),
      effectiveFrom: t.expose('effectiveFrom', { type: 'Instant', nullable: true }),
    }),
  })
  Result.implement({
    fields: (t) => ({
      referenceUnit: t.exposeString('referenceUnit'),
      kind: t.expose('kind', { type: Kind }),
      expected: t.expose('expected', { type: Shown }),
      found: t.expose('found', { type: Shown }),
    }),
  })
  Says.implement({
    fields: (t) => ({ kind: t.expose('kind', { type: Kind }), says: t.expose('says', { type: Said }) }),
  })
  Check.implement({
    description: 'What reference units showed at a station: good where a known-pass passed and a known-fail failed.',
    fields: (t) => ({
      stationCheck: t.exposeString('stationCheck'),
      station: t.exposeString('station'),
      instrument: t.exposeString('instrument'),
      at: t.expose('at', { type: 'Instant' }),
      results: t.field({ type: [Result], resolve: ({ results }) => results }),
      says: t.field({ type: [Says], resolve: ({ says }) => says }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
    }),
  })
  builder.queryFields((t) => ({
    referenceUnits: t.field({
      type: UnitConnection,
      args: pageArgs(builder),
      resolve: (_root, args) => readConnection(args, unitsListing, (page) => listReferenceUnits(sql, page)),
    }),
    referenceUnit: t.field({
      type: Unit,
      nullable: true,
      args: { referenceUnit: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { referenceUnit }) => orNull(getReferenceUnit(sql, referenceUnit)),
    }),
    checkPlans: t.field({
      type: PlanConnection,
      args: { ...pageArgs(builder), station: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { station, ...args }) =>
        readConnection(args, plansOf(station), (page) => listCheckPlans(sql, page, station)),
    }),
    checkPlan: t.field({
      type: Plan,
      nullable: true,
      args: { station: t.arg({ type: 'Key', required: true }), checkPlan: t.arg.int({ required: true }) },
      resolve: (_root, key) => orNull(getCheckPlan(sql, key)),
    }),
    stationChecks: t.field({
      type: CheckConnection,
      args: { ...pageArgs(builder), station: t.arg({ type: 'Key' }) },
      description: 'In the order in which they were made, of one station where it is named.',
      resolve: (_root, { station, ...args }) =>
        readConnection(args, checksListing, (page) => listStationChecks(sql, page, station ?? undefined)),
    }),
    stationCheck: t.field({
      type: Check,
      nullable: true,
      args: { stationCheck: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { stationCheck }) => orNull(getStationCheck(sql, stationCheck)),
    }),
  }))
}
