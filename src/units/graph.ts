import type { z } from 'zod'
import { writeInstant } from '../exact/time.ts'
import { outcomes, stepVerdicts, verdicts } from '../judging/words.ts'
import { costs, type GraphBuilder, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import { inOrder } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import { readProducts } from '../products/reads.ts'
import type { Product } from '../products/words.ts'
import { type ShipState as ShipStateWord, shipStates, type UnitEventWire, unitEvents } from './event-words.ts'
import { readUnits, type UnitRead, unitKey, writeAttempts, writeUnitEvent } from './reads.ts'
import type { UnitName } from './words.ts'
import { type AttemptWire, evidences, type ReleaseWire, releaseCodes, standings, writeRelease } from './words.ts'

/** A unit as it stands now: what `readUnit` and `readRelease` of REST answer, in one. */
export interface UnitAnswer extends Pick<UnitRead, 'product' | 'serial' | 'operationsRequired'> {
  readonly askedAt: string
  readonly shipState: ShipStateWord
  readonly attempts: readonly Attempt[]
  readonly events: readonly UnitEventWire[]
  readonly release: ReleaseWire
}
export type Attempt = Omit<z.infer<typeof AttemptWire>, 'site'> & { readonly site: string }

/** Units, their history, and whether they may ship. */
export function graphUnits(
  builder: GraphBuilder,
  { database, received }: Services,
  products: { readonly Product: GraphObject<Product> },
) {
  const Unit = builder.objectRef<UnitAnswer>('Unit')
  const Attempt = builder.objectRef<Attempt>('Attempt')
  const Release = builder.objectRef<ReleaseWire>('Release')
  const Reason = builder.objectRef<ReleaseWire['reasons'][number]>('ReleaseReason')
  const Event = builder.objectRef<UnitEventWire>('UnitEvent')
  const EventWord = wordsEnum(builder, 'UnitEventKind', unitEvents)
  const ShipState = wordsEnum(builder, 'ShipState', shipStates)
  const Code = wordsEnum(builder, 'ReleaseCode', releaseCodes)
  const Outcome = wordsEnum(builder, 'Outcome', outcomes)
  const Standing = wordsEnum(builder, 'Standing', standings)
  const Evidence = wordsEnum(builder, 'Evidence', evidences)
  const Verdict = wordsEnum(builder, 'Verdict', verdicts)
  const StepVerdict = wordsEnum(builder, 'StepVerdict', stepVerdicts)
  const StepResult = builder.objectRef<NonNullable<Attempt['steps']>[number]>('StepResult')

  const loadUnits = async (names: readonly UnitName[]): Promise<(UnitAnswer | null)[]> => {
    const units = await readUnits(database, names)
    return units.map((unit) => (unit instanceof Problem ? null : answerUnit(unit)))
  }

  Reason.implement({
    fields: (t) => ({
      code: t.expose('code', { type: Code }),
      facts: t.expose('facts', { type: 'Json' }),
      action: t.exposeString('action'),
    }),
  })
  Release.implement({
    description: 'Whether the unit may ship, and if not why. Local codes and licensed practice govern.',
    fields: (t) => ({
      releasable: t.exposeBoolean('releasable'),
      provisional: t.exposeBoolean('provisional'),
      concessions: t.exposeStringList('concessions'),
      reasons: t.field({ type: [Reason], resolve: ({ reasons }) => reasons }),
    }),
  })
  Event.implement({
    description: 'What happened to a unit outside its tests.',
    fields: (t) => ({
      eventId: t.exposeString('eventId'),
      eventKey: t.exposeString('eventKey'),
      site: t.exposeString('site'),
      event: t.expose('event', { type: EventWord }),
      at: t.expose('at', { type: 'Instant' }),
      reason: t.exposeString('reason', { nullable: true }),
      reference: t.exposeString('reference', { nullable: true }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
    }),
  })
  StepResult.implement({
    fields: (t) => ({
      step: t.exposeString('step'),
      verdict: t.expose('verdict', { type: StepVerdict }),
      required: t.exposeBoolean('required'),
      after: t.exposeStringList('after'),
    }),
  })
  Attempt.implement({
    description: "One row of a unit's history: an accepted or held run, or a failure reported in a rejected one.",
    fields: (t) => ({
      runId: t.exposeString('runId'),
      attempt: t.exposeInt('attempt', { nullable: true }),
      outcome: t.expose('outcome', { type: Outcome }),
      standing: t.expose('standing', { type: Standing }),
      evidence: t.expose('evidence', { type: Evidence, nullable: true }),
      codes: t.exposeStringList('codes'),
      verdict: t.expose('verdict', { type: Verdict, nullable: true }),
      correctedFrom: t.expose('correctedFrom', { type: Verdict, nullable: true }),
      concession: t.exposeString('concession', { nullable: true }),
      reportedFailure: t.exposeBoolean('reportedFailure'),
      steps: t.field({
        type: [StepResult],
        nullable: true,
        description: 'Where the plan lets several runs carry the evidence, step by step; else null.',
        resolve: ({ steps }) => steps,
      }),
      purpose: t.exposeString('purpose'),
      operation: t.exposeString('operation', { nullable: true }),
      variant: t.exposeString('variant', { nullable: true }),
      plan: t.exposeString('plan', { nullable: true }),
      revision: t.exposeInt('revision', { nullable: true }),
      site: t.exposeString('site'),
      station: t.exposeString('station'),
      instrument: t.exposeString('instrument', { nullable: true }),
      programming: t.exposeString('programming', { nullable: true }),
      attemptCause: t.exposeString('attemptCause', { nullable: true }),
      startedAt: t.expose('startedAt', { type: 'Instant' }),
      receivedAt: t.expose('receivedAt', { type: 'Instant' }),
    }),
  })
  Unit.implement({
    description: 'A serial number of a product as it stands now. One of which no run is known has no attempts.',
    fields: (t) => ({
      product: t.exposeString('product'),
      productDetails: t.loadable({
        type: products.Product,
        nullable: true,
        load: async (keys: string[]) =>
          inOrder(keys, await readProducts(database.sql, keys, received.now()), ({ product }) => product),
        resolve: ({ product }) => product,
      }),
      serial: t.exposeString('serial', { description: "By the product's rule." }),
      askedAt: t.expose('askedAt', { type: 'Instant' }),
      operationsRequired: t.exposeStringList('operationsRequired'),
      shipState: t.expose('shipState', { type: ShipState }),
      attempts: t.field({ type: [Attempt], resolve: ({ attempts }) => attempts }),
      events: t.field({ type: [Event], resolve: ({ events }) => events }),
      release: t.field({ type: Release, resolve: ({ release }) => release }),
    }),
  })
  builder.queryFields((t) => ({
    unit: t.loadable({
      type: Unit,
      nullable: true,
      args: { product: t.arg({ type: 'Key', required: true }), serial: t.arg({ type: 'Text', required: true }) },
      ...costs({ cost: 20 }),
      description: 'Null where no version of the product is confirmed.',
      loaderOptions: { cacheKeyFn: unitKey },
      load: loadUnits,
      resolve: (_root, name) => name,
    }),
  }))
  return { Unit, Attempt, Release, ShipState, Outcome, Standing, Evidence, Verdict, StepVerdict, loadUnits }
}

function answerUnit(unit: UnitRead): UnitAnswer {
  const { product, serial, operationsRequired, askedAt, folded } = unit
  return {
    product,
    serial,
    operationsRequired,
    askedAt: writeInstant(askedAt),
    shipState: folded.shipState,
    attempts: writeAttempts(unit),
    events: folded.events.map(writeUnitEvent),
    release: writeRelease(folded.release),
  }
}
