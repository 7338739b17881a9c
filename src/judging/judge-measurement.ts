import { compare, type Decimal, subtract, type TieRule } from '../exact/decimal.ts'
import { type Acceptance, acceptanceOf, placeInAcceptance, roundNumber, roundReading } from './acceptance.ts'
import type { CompiledLimit, CompiledMeasurement } from './compile.ts'
import { judgeInspection } from './judge-inspection.ts'
import { type MeasurementJudgement, NO_REASONS, type Surroundings, withStation } from './judgement.ts'
import {
  marginOver,
  marginUnder,
  type Placing,
  type Placings,
  placeOver,
  placeUnder,
  type WrittenNumber,
  writeNumber,
} from './limit.ts'
import { computedReasons, limitReasons, numberText, tripFacts } from './limit-reasons.ts'
import { type ReadNumber, readNumber, writeJudged } from './reading.ts'
import {
  improperReasons,
  isDecaying,
  isProperEnd,
  isTrip,
  type MeasurementAt,
  otherQuantityReasons,
  placeStress,
  rampNumber,
  stressReason,
} from './validity.ts'
import type { Reason, Verdict } from './words.ts'

/** Judges one measurement: its verdict, the number beside its limits, and why. */
export function judgeMeasurement(
  at: MeasurementAt,
  orderBroken: Reason | null,
  around: Surroundings,
): MeasurementJudgement {
  const { planned, measurement } = at
  if (planned.kind === 'inspection') return judgeInspection(at, orderBroken, around)
  const { limitUpper, limitLower } = planned
  const stress = placeStresses(at)
  if (stress.above.length > 0) around.notes.overStress = true
  const reasons: Reason[] = []
  const {
    verdict: own,
    read,
    compared,
    acceptance,
    placings,
  } = decideVerdict(at, stress, { orderBroken, around }, reasons)
  for (const reason of stress.above) reasons.push(reason)
  if (read !== undefined) computedReasons(at, read, reasons)
  const verdict = withStation(own, measurement.stationVerdict, reasons, around.notes)
  const judgement: { -readonly [Member in keyof MeasurementJudgement]: MeasurementJudgement[Member] } = {
    measurement: planned.measurement,
    verdict,
    reasons,
  }
  const limit = limitUpper ?? limitLower
  if (read !== undefined && limit !== null) {
    judgement.judged = writeJudged(read, limit.unit)
    if (compared !== undefined && compared !== read) judgement.rounded = writeJudged(compared, limit.unit)
    if (compared !== undefined && placings !== undefined && own !== 'inconclusive') {
      const margin = marginOf(compared, planned, own === 'fail' ? placings : undefined)
      if (margin !== undefined) judgement.margin = margin
    }
  }
  if (limitUpper !== null) judgement.limitUpper = limitUpper.written
  if (limitLower !== null) judgement.limitLower = limitLower.written
  if (acceptance && limit !== null) {
    judgement.guardBand = writeNumber(acceptance.width, limit.unit, '=')
    if (acceptance.upper) judgement.acceptanceUpper = writeNumber(acceptance.upper.value, limit.unit, '=')
    if (acceptance.lower) judgement.acceptanceLower = writeNumber(acceptance.lower.value, limit.unit, '=')
  }
  return judgement
}

interface Decided {
  readonly verdict: Verdict
  /** The number as it was read or computed. */
  readonly read: ReadNumber | undefined
  /** The number as it was placed against the limits: rounded, where the plan rounds. */
  readonly compared: ReadNumber | undefined
  /** Null under a simple rule; undefined where it did not come to it, or where no uncertainty is known. */
  readonly acceptance: Acceptance | null | undefined
  /** Undefined where the limit was not what decided. */
  readonly placings: Placings | undefined
}

const UNDECIDED = { read: undefined, compared: undefined, acceptance: undefined, placings: undefined } as const

/** The first that applies decides (payloads, upload: "Per measurement, the first that applies"). Adds its reasons. */
function decideVerdict(
  at: MeasurementAt,
  stress: StressFound,
  { orderBroken, around }: { readonly orderBroken: Reason | null; readonly around: Surroundings },
  reasons: Reason[],
): Decided {
  const { planned, step, measurement } = at
  if (isTrip(measurement.termination)) {
    reasons.push({ code: measurement.termination, facts: tripFacts(at) })
    return { verdict: 'fail', ...UNDECIDED }
  }
  otherQuantityReasons(at, reasons)
  if (reasons.length > 0) return { verdict: 'invalid', ...UNDECIDED }

  const read = readNumber(planned, step, measurement)
  const compared = read && roundReading(read, planned.roundingRange, around.revision.ties)
  const placings = placeNumber(at, compared, around.revision.ties)
  const isBeyond = placings.upper === 'beyond' || placings.lower === 'beyond' || placings.ramp === 'beyond'
  // Bad news counts at no more than the planned stress, however the measurement ended. Some numbers say nothing without it.
  const failsAlready = isBeyond && stress.above.length === 0 && !stress.saysNothing
  if (!failsAlready) {
    for (const reason of stress.improper) reasons.push(reason)
    improperReasons(at, read, { revision: around.revision, found: around.found, orderBroken }, reasons)
    if (reasons.length > 0) return { verdict: 'invalid', ...UNDECIDED, read }
  }
  const acceptance = read && acceptanceOf(planned, read.shown, around.instrument)
  const verdict = isBeyond ? 'fail' : isUndecided(at, read, placings) ? 'inconclusive' : 'pass'
  if (verdict !== 'pass') limitReasons(at, read, placings, reasons)
  else if (planned.guardBand !== null && compared !== undefined) {
    const isAccepted = guardReasons(at, { compared, acceptance, around }, reasons)
    if (!isAccepted) return { verdict: 'inconclusive', read, compared, acceptance, placings }
  }
  return { verdict, read, compared, acceptance, placings }
}

/**
 * Whether a number within its limits lies within the acceptance limits too, and so does the highest current of the ramp.
 * Adds the reason where not.
 */
function guardReasons(
  at: MeasurementAt,
  {
    compared,
    acceptance,
    around,
  }: {
    readonly compared: ReadNumber
    readonly acceptance: Acceptance | null | undefined
    readonly around: Surroundings
  },
  reasons: Reason[],
): boolean {
  const { planned } = at
  const limit = planned.limitUpper ?? planned.limitLower
  if (limit === null) return true
  if (!acceptance) {
    reasons.push({ code: 'uncertainty-unknown', facts: { kind: planned.kind } })
    return false
  }
  let isAccepted = addGuardReason(acceptance, { read: compared, limit }, reasons)
  const highest = rampNumber(at)
  if (highest !== undefined) {
    const number = roundNumber(highest.number, planned.roundingRange, around.revision.ties)
    const ramp = acceptanceOf(planned, highest.number.numerator, around.instrument)
    if (!ramp) {
      reasons.push({ code: 'uncertainty-unknown', facts: { kind: planned.kind } })
      return false
    }
    // In the ramp the upper limit alone holds.
    const read = { number, shown: number.numerator, received: number === highest.number ? highest.quantity : undefined }
    if (!addGuardReason({ ...ramp, lower: null }, { read, limit }, reasons)) isAccepted = false
  }
  return isAccepted
}

function addGuardReason(
  acceptance: Acceptance,
  { read, limit }: { readonly read: ReadNumber; readonly limit: CompiledLimit },
  reasons: Reason[],
): boolean {
  if (placeInAcceptance(read.number, acceptance) === 'within') return true
  const { upper, lower, width } = acceptance
  const say = (value: Decimal) => numberText(writeNumber(value, limit.unit, '='))
  const facts: Record<string, string> = { reading: numberText(writeJudged(read, limit.unit)), guardBand: say(width) }
  if (upper !== null) facts['acceptanceUpper'] = say(upper.value)
  if (lower !== null) facts['acceptanceLower'] = say(lower.value)
  reasons.push({ code: 'within-guard-band', facts })
  return false
}

function placeNumber(at: MeasurementAt, read: ReadNumber | undefined, ties: TieRule): Placings {
  const { limitUpper, limitLower } = at.planned
  return {
    upper: read === undefined || limitUpper === null ? 'within' : placeUnder(read.number, limitUpper),
    lower: read === undefined || limitLower === null ? 'within' : placeOver(read.number, limitLower),
    ramp: placeRamp(at, ties),
  }
}

interface StressFound {
  /** Shown to be above what the plan accepts: judged on, the run held. */
  readonly above: readonly Reason[]
  /** Below what the plan accepts, or not shown to lie in it. */
  readonly improper: readonly Reason[]
  /**
   * A bond's current below its least, a falling voltage read too early, or either unknown: then the number says nothing,
   * not even that the unit is bad.
   */
  readonly saysNothing: boolean
}

const STRESS_WITHIN: StressFound = { above: NO_REASONS, improper: NO_REASONS, saysNothing: false }

function placeStresses(at: MeasurementAt): StressFound {
  const { planned, measurement } = at
  let above: Reason[] | undefined
  let improper: Reason[] | undefined
  let saysNothing = false
  for (const stress of planned.stresses) {
    const placing = placeStress(stress, at)
    if (placing === 'within') continue
    const isDecay = isDecaying(planned, stress.name)
    if (placing === 'above' && !isDecay) {
      above ??= []
      above.push(stressReason(stress, placing, at))
      continue
    }
    // Read too early a sound unit shows too much; read late it fails all the more surely where it still does.
    if (stress.name === 'testCurrent' || (isDecay && placing !== 'above')) saysNothing = true
    // A measurement that came to no proper end need not say its stress; that it came to none is said already.
    if (placing === 'not-measured' && !isProperEnd(measurement.termination)) continue
    improper ??= []
    improper.push(stressReason(stress, placing, at))
  }
  if (planned.limitInRamp && isProperEnd(measurement.termination) && rampNumber(at) === undefined) {
    improper ??= []
    improper.push({ code: 'stress-not-measured', facts: { stress: 'highestInRamp' } })
  }
  if (above === undefined && improper === undefined && !saysNothing) return STRESS_WITHIN
  return { above: above ?? NO_REASONS, improper: improper ?? NO_REASONS, saysNothing }
}

function placeRamp(at: MeasurementAt, ties: TieRule): Placing {
  const { limitUpper, roundingRange } = at.planned
  if (limitUpper === null) return 'within'
  const highest = rampNumber(at)
  return highest === undefined ? 'within' : placeUnder(roundNumber(highest.number, roundingRange, ties), limitUpper)
}

function isUndecided(at: MeasurementAt, read: ReadNumber | undefined, { upper, lower, ramp }: Placings): boolean {
  if (read === undefined || upper === 'undecided' || lower === 'undecided' || ramp === 'undecided') return true
  const minimum = at.planned.openLeadMinimum
  return minimum !== null && placeOver(read.number, { value: minimum.value, inclusive: true }) === 'undecided'
}

/**
 * The margin to the limit that decided: of a fail to the limit that the number lies beyond (none where only the ramp
 * does), of a pass to the nearer one.
 */
function marginOf(
  { shown, number }: ReadNumber,
  { limitUpper, limitLower }: CompiledMeasurement,
  beyond: Placings | undefined,
): WrittenNumber | undefined {
  const isUpper = limitUpper !== null && (beyond === undefined || beyond.upper === 'beyond')
  const isLower = limitLower !== null && (beyond === undefined || beyond.lower === 'beyond')
  if (isUpper && isLower) {
    return isNearerUpper(shown, limitUpper, limitLower)
      ? marginUnder(shown, number.relation, limitUpper)
      : marginOver(shown, number.relation, limitLower)
  }
  if (isUpper) return marginUnder(shown, number.relation, limitUpper)
  return isLower ? marginOver(shown, number.relation, limitLower) : undefined
}

function isNearerUpper(shown: Decimal, upper: CompiledLimit, lower: CompiledLimit): boolean {
  return compare(subtract(upper.value, shown), subtract(shown, lower.value)) <= 0
}
