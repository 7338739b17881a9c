import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { PlanContent } from '../plans/words.ts'
import { type Calibration, calibrationAt } from './calibration.ts'
import { fitsCapabilities } from './capability.ts'
import { holds, type InstrumentAssignment, type Interval, instrumentAt } from './instrument-assignment.ts'
import { latestProgramming, type Programming } from './programming.ts'
import { checkSupportAt, missingByCode, type StationChecks } from './station-check.ts'
import type { AssignedNext, Assignment, AssignmentReason, AssignmentReasonCode, Capabilities } from './words.ts'

/** One revision in force, now or later, for the product, variant, operation and site asked about. */
export interface RevisionInForce extends Interval {
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly content: PlanContent
  /** Whether it has been checked with the rules of today. */
  readonly isChecked: boolean
  readonly blocks: readonly Interval[]
}

export interface AssignmentFacts {
  readonly station: string
  readonly site: string
  readonly timeZone: string
  readonly product: string
  readonly operation: string
  /** As asked; undefined where none was named. */
  readonly variant: string | undefined
  /** Of the product version in effect ('' alone where it has none); undefined where none is in effect. */
  readonly variants: readonly string[] | undefined
  /** Those that have not ended, ascending; they never overlap. */
  readonly revisions: readonly RevisionInForce[]
  /** Every assignment of the station and of every instrument that ever stood there. */
  readonly assignments: readonly InstrumentAssignment[]
  /** Of every instrument that ever stood there. */
  readonly capabilities: ReadonlyMap<string, Capabilities>
  readonly calibrations: readonly Calibration[]
  readonly programmings: readonly Programming[]
  readonly checks: StationChecks
}

export interface AssignmentDecision {
  readonly assignment: Assignment
  /** The instant up to which nothing known changes the answer, whatever the site's trust; null: none is known. */
  readonly boundAt: number | null
}

/** How long a station that has lost the network may go on: 12 h at every site, until two people can change it. */
export const TRUST_MS = 12 * 3_600_000

/** What one revision lacks at an instant, and for how long nothing known takes it away. */
interface Readiness {
  readonly reasons: readonly AssignmentReason[]
  readonly instrument: string | null
  readonly programming: string | null
  /** When the first good check that it needs ends, or ended; null where none is asked for, or there was none. */
  readonly checkDueAt: number | null
  /** Exclusive; null: open. */
  readonly usableUntil: number | null
}

/**
 * Which revision a station is to test with at `now` (milliseconds since the epoch), under which programming, and whether
 * it may. Every reason against is given. `trustUntil` ends with the first thing that is known to end: the revision in
 * force where no usable one follows without a gap, a block's beginning, the calibration, the instrument's stay.
 */
export function decideAssignment(facts: AssignmentFacts, now: number): AssignmentDecision {
  const identity = identityReasons(facts)
  const revisions = identity.length > 0 ? [] : facts.revisions
  const current = revisions.find((revision) => holds(revision, now))
  const successor = revisions.find((revision) => revision.from > now)
  const readiness = readinessAt(facts, current, now)
  const absent = current === undefined && identity.length === 0 ? [nothingInForce(facts, successor)] : []
  const reasons = [...identity, ...absent, ...readiness.reasons]
  const mayTest = reasons.length === 0

  const later = successor && readinessAt(facts, successor, successor.from)
  const goesOn = successor?.from === current?.until && later?.reasons.length === 0
  const boundAt =
    goesOn && readiness.usableUntil === current?.until ? (later?.usableUntil ?? null) : readiness.usableUntil
  return {
    assignment: {
      station: facts.station,
      product: facts.product,
      variant: facts.variant ?? null,
      operation: facts.operation,
      ...assigned(current, readiness, reasons),
      instrument: readiness.instrument,
      next: successor && later ? assigned(successor, later, later.reasons) : null,
      checkDueAt: writeInstantOrNull(readiness.checkDueAt),
      leadOffsetDueAt: null,
      trustUntil: mayTest ? writeInstant(earliest(now + TRUST_MS, boundAt)) : null,
    },
    boundAt,
  }
}

function assigned(
  revision: RevisionInForce | undefined,
  readiness: Readiness,
  reasons: readonly AssignmentReason[],
): AssignedNext {
  return {
    mayTest: reasons.length === 0,
    reasons: [...reasons],
    plan: revision?.plan ?? null,
    revision: revision?.revision ?? null,
    revisionDigest: revision?.revisionDigest ?? null,
    programming: readiness.programming,
    inForceFrom: writeInstantOrNull(revision?.from ?? null),
    inForceUntil: writeInstantOrNull(revision?.until ?? null),
  }
}

/** The station, its instrument and the revision, if any, at an instant, by all facts known now. */
function readinessAt(facts: AssignmentFacts, revision: RevisionInForce | undefined, at: number): Readiness {
  const reasons: AssignmentReason[] = []
  const ends: (number | null)[] = []
  if (revision !== undefined) {
    ends.push(revision.until)
    const named = { plan: revision.plan, revision: revision.revision }
    if (!revision.isChecked) reasons.push(because('revision-unchecked', named))
    const block = revision.blocks.find((one) => holds(one, at))
    if (block !== undefined)
      reasons.push(because('revision-blocked', { ...named, blockedFrom: writeInstant(block.from) }))
    for (const { from } of revision.blocks) if (from > at) ends.push(from)
  }
  const placed = instrumentAt(facts.assignments, facts.station, at)
  if (placed === undefined) {
    reasons.push(because('instrument-missing', { station: facts.station }))
    return { reasons, instrument: null, programming: null, checkDueAt: null, usableUntil: null }
  }
  const { instrument, stay } = placed
  ends.push(stay.until)
  const capabilities = facts.capabilities.get(instrument)
  if (capabilities === undefined) throw new Error(`the capabilities of ${instrument} were not loaded`)
  const misfits = revision === undefined ? [] : fitsCapabilities(revision.content, capabilities)
  if (misfits.length > 0) {
    reasons.push(because('instrument-not-capable', { instrument, lacks: misfits.map(({ detail }) => detail) }))
  }
  const calibrations = facts.calibrations.filter((one) => one.instrument === instrument)
  const calibrated = calibrationAt(calibrations, at, facts.timeZone)
  if (calibrated.state === 'current') ends.push(calibrated.endsAt)
  else if (calibrated.state === 'none') reasons.push(because('calibration-expired', { instrument }))
  else {
    const { calibration, dueOn } = calibrated.calibration
    reasons.push(because('calibration-expired', { instrument, calibration, dueOn }))
  }
  let programming: string | null = null
  if (revision !== undefined && capabilities.programs) {
    const found = latestProgramming(facts, { ...revision, station: facts.station, instrument }, at)
    if (found === undefined) {
      reasons.push(because('programming-missing', { plan: revision.plan, revision: revision.revision, instrument }))
    } else {
      programming = found.programming.programming
      ends.push(found.until)
    }
  }
  const checked = revision === undefined ? UNASKED : checkedAt(facts, { instrument, content: revision.content }, at)
  reasons.push(...checked.reasons)
  return {
    reasons,
    instrument,
    programming,
    checkDueAt: checked.dueAt,
    usableUntil: earliestOf([...ends, ...checked.ends]),
  }
}

interface Checked {
  readonly reasons: readonly AssignmentReason[]
  readonly dueAt: number | null
  readonly ends: readonly number[]
}

const UNASKED: Checked = { reasons: [], dueAt: null, ends: [] }

/** Whether the station was checked with reference units in the kinds of a revision, and for how long that holds. */
function checkedAt(
  { station, checks }: AssignmentFacts,
  { instrument, content }: { readonly instrument: string; readonly content: PlanContent },
  at: number,
): Checked {
  const kinds = [...new Set(content.steps.map(({ kind }) => kind))]
  const { missing, dueAt } = checkSupportAt(checks, { instrument, kinds }, at)
  const later = checks.demands.map(({ effectiveFrom }) => effectiveFrom).filter((from) => from > at)
  return {
    reasons: missingByCode(missing).map((one) => because(one.code, { station, kinds: [...one.kinds] })),
    dueAt,
    ends: dueAt !== null && dueAt > at ? [dueAt, ...later] : later,
  }
}

function identityReasons(facts: AssignmentFacts): AssignmentReason[] {
  const { product, variant, variants } = facts
  if (variants === undefined) return [because('product-unknown', { product })]
  if (variants.includes(variant ?? '')) return []
  const known = variants.filter((one) => one !== '')
  return [because('variant-unknown', { product, ...(variant === undefined ? {} : { variant }), known })]
}

function nothingInForce(facts: AssignmentFacts, successor: RevisionInForce | undefined): AssignmentReason {
  const { product, variant, operation, site } = facts
  return because('nothing-in-force', {
    product,
    ...(variant === undefined ? {} : { variant }),
    operation,
    site,
    ...(successor === undefined ? {} : { nextFrom: writeInstant(successor.from) }),
  })
}

type ReasonFacts = AssignmentReason['facts']

function because(code: AssignmentReasonCode, facts: ReasonFacts): AssignmentReason {
  return { code, facts, action: actions[code]((name) => textOf(facts[name])) }
}

function textOf(fact: ReasonFacts[string] | undefined): string {
  return Array.isArray(fact) ? fact.join(', ') : String(fact ?? '')
}

/** Product, variant where one was asked for, and operation: one of them may be misspelled. */
function whatOf(fact: (name: string) => string): string {
  const variant = fact('variant')
  return `${fact('product')}${variant === '' ? '' : ` ${variant}`}, operation ${fact('operation')}`
}

/** A sentence for whoever stands at the station, from the facts of the reason. */
const actions: Readonly<Record<AssignmentReasonCode, (fact: (name: string) => string) => string>> = {
  'product-unknown': (fact) =>
    `No version of product ${fact('product')} is in effect. Check the product's key, or have a version confirmed.`,
  'variant-unknown': (fact) =>
    fact('known') === ''
      ? `Product ${fact('product')} has no variants. Ask without one.`
      : fact('variant') === ''
        ? `Product ${fact('product')} has variants. Name one of ${fact('known')}.`
        : `Product ${fact('product')} has no variant ${fact('variant')}. Name one of ${fact('known')}.`,
  'nothing-in-force': (fact) =>
    fact('nextFrom') === ''
      ? `No test plan is in force here for ${whatOf(fact)}. Do not test; ask the test engineer.`
      : `No test plan is in force here for ${whatOf(fact)} before ${fact('nextFrom')}. Do not test until then.`,
  'revision-unchecked': (fact) =>
    `Revision ${fact('revision')} of ${fact('plan')} has not been checked with the rules of today. Ask again in a moment.`,
  'revision-blocked': (fact) =>
    `Revision ${fact('revision')} of ${fact('plan')} is blocked since ${fact('blockedFrom')}. Do not test; the test engineer sees why in its findings, and has another revision approved or the block lifted.`,
  'instrument-missing': (fact) =>
    `No instrument is assigned to station ${fact('station')}. Have an administrator assign the one that stands there.`,
  'instrument-not-capable': (fact) =>
    `Instrument ${fact('instrument')} cannot do what the plan asks: ${fact('lacks')}. Use another instrument.`,
  'calibration-expired': (fact) =>
    fact('dueOn') === ''
      ? `No calibration of instrument ${fact('instrument')} is recorded. Use a calibrated one, or have its calibration recorded.`
      : `Calibration ${fact('calibration')} of instrument ${fact('instrument')} was due on ${fact('dueOn')}. Use a calibrated one, or have the new calibration recorded.`,
  'check-missing': (fact) =>
    `Station ${fact('station')} has no valid check for ${fact('kinds')}. Check it with its reference units, and have that recorded.`,
  'station-locked': (fact) =>
    `The last check of station ${fact('station')} failed for ${fact('kinds')}. Do not test; have the station mended and checked again.`,
  'programming-missing': (fact) =>
    `Revision ${fact('revision')} of ${fact('plan')} does not stand in instrument ${fact('instrument')}. Key its setup sheet in, have a second person read it back, and record that.`,
}

function earliest(one: number, other: number | null): number {
  return other === null ? one : Math.min(one, other)
}

function earliestOf(ends: readonly (number | null)[]): number | null {
  return ends.reduce((least, end) => (least === null ? end : earliest(least, end)), null)
}
