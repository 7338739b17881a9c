import {
  absolute,
  compare,
  type Decimal,
  decimal,
  divide,
  formatDecimal,
  isZero,
  negate,
  round,
  ZERO,
} from '../exact/decimal.ts'
import { inUnit, readQuantity } from '../exact/quantity.ts'
import type { InstrumentState } from '../judging/acceptance.ts'
import type { CompiledRevision } from '../judging/compile.ts'
import { judge } from '../judging/judge.ts'
import type { Judgement, MeasurementJudgement, StepJudgement } from '../judging/judgement.ts'
import type { WrittenNumber } from '../judging/limit.ts'
import { type Upload, type UploadStep, type Verdict, worseVerdict } from '../judging/words.ts'
import { trueValue } from '../stations/as-found.ts'
import type { AsFound } from '../stations/words.ts'
import type { MeasurementFound } from './words.ts'

/** A stored run beside what it was sent as. Nothing of it is changed. */
export interface StoredRun {
  readonly verdict: Verdict
  /** As judged when it came. */
  readonly steps: readonly StepJudgement[]
}

/** What judging again made of a run that belongs into the list. */
export interface Rejudged {
  readonly verdictAfter: Verdict
  readonly measurements: MeasurementFound[]
  /** How far the worst number lies beyond its limit as a share of the limit, in digits; negative inside, for ranking. */
  readonly beyond: string
}

/** The run by another revision; undefined where its verdict gets no worse. */
export function rejudgeByRevision(
  run: StoredRun,
  upload: Upload,
  { to, instrument }: { readonly to: CompiledRevision; readonly instrument: InstrumentState },
): Rejudged | undefined {
  const after = judge(upload, to, instrument)
  if (!isWorse(after.verdict, run.verdict)) return undefined
  return listed(run, after, to, (before, now) => before.verdict !== now.verdict)
}

/**
 * The run by its revision with all that an edition demands (`to`); undefined unless it would fail or be invalid by that
 * and is neither as it stands. A run that passed under a permit is compared with its judgement without one, so that what
 * the permit let through is not laid to the edition.
 */
export function rejudgeTightened(
  run: StoredRun,
  upload: Upload,
  at: { readonly own: CompiledRevision; readonly to: CompiledRevision; readonly instrument: InstrumentState },
): Rejudged | undefined {
  if (isNoPass(run.verdict)) return undefined
  const after = judge(upload, at.to, at.instrument)
  if (!isNoPass(after.verdict)) return undefined
  const isPermitted = run.verdict === 'pass-under-permit'
  const before = isPermitted ? { ...run, steps: judge(upload, at.own, at.instrument).steps } : run
  const made = listed(before, after, at.to, (was, now) => isWorse(now.verdict, was.verdict))
  return made.measurements.length === 0 ? undefined : made
}

function isNoPass(verdict: Verdict): boolean {
  return verdict === 'fail' || verdict === 'invalid'
}

function isWorse(verdict: Verdict, than: Verdict): boolean {
  return verdict !== than && worseVerdict(verdict, than) === verdict
}

/**
 * The run with its readings corrected by what the instrument was found to read; undefined where no reading is of a kind
 * and range that was found in error. A lead offset stays as it was recorded: it was taken with the leads, not the unit.
 */
export function rejudgeCorrected(
  run: StoredRun,
  upload: Upload,
  at: {
    readonly revision: CompiledRevision
    readonly instrument: InstrumentState
    readonly asFound: readonly AsFound[]
  },
): Rejudged | undefined {
  const corrected = new Set<string>()
  const steps = upload.steps.map((step): UploadStep => correctedStep(step, at, corrected))
  if (corrected.size === 0) return undefined
  const after = judge({ ...upload, steps }, at.revision, at.instrument)
  return listed(run, after, at.revision, (_, now, step) => corrected.has(`${step}\n${now.measurement}`))
}

function correctedStep(
  step: UploadStep,
  at: { readonly revision: CompiledRevision; readonly asFound: readonly AsFound[] },
  corrected: Set<string>,
): UploadStep {
  const planned = at.revision.steps.find((one) => one.step === step.step)
  if (planned === undefined) return step
  const { kind } = planned
  const measurements = step.measurements.map((one) => {
    const { reading } = one
    if (reading === undefined || reading.value === 'no-reading') return one
    const value = trueValue(at.asFound, { kind, value: reading.value.value })
    if (value === undefined) return one
    corrected.add(`${step.step}\n${one.measurement}`)
    const text = formatDecimal(round(inUnit(value, reading.value.unit), SHOWN_DIGITS))
    return { ...one, reading: { ...reading, text: undefined, value: { ...reading.value, value, text } } }
  })
  return { ...step, measurements }
}

function listed(
  run: StoredRun,
  after: Judgement,
  revision: CompiledRevision,
  isListed: (before: Pick<MeasurementJudgement, 'verdict'>, now: MeasurementJudgement, step: string) => boolean,
): Rejudged {
  const measurements: MeasurementFound[] = []
  let beyond: Decimal | undefined
  for (const [index, step] of after.steps.entries()) {
    const stored = run.steps.find((one) => one.step === step.step)
    for (const now of step.measurements) {
      const before = stored?.measurements.find((one) => one.measurement === now.measurement)
      const said = before ?? { verdict: 'incomplete' as const }
      if (!isListed(said, now, step.step)) continue
      const kind = revision.steps[index]?.kind
      if (kind === undefined) throw new Error('the judge answers one step for every planned step')
      measurements.push(found({ step: step.step, kind }, before, now))
      const share = beyondOf(now)
      if (share !== undefined && (beyond === undefined || compare(share, beyond) > 0)) beyond = share
    }
  }
  return { verdictAfter: after.verdict, measurements, beyond: formatDecimal(beyond ?? ZERO) }
}

function found(
  at: Pick<MeasurementFound, 'step' | 'kind'>,
  before: MeasurementJudgement | undefined,
  after: MeasurementJudgement,
): MeasurementFound {
  return {
    ...at,
    measurement: after.measurement,
    verdictBefore: before?.verdict ?? 'incomplete',
    verdictAfter: after.verdict,
    judgedBefore: numberOf(before?.judged),
    judgedAfter: numberOf(after.judged),
    limitUpperBefore: numberOf(before?.limitUpper),
    limitUpperAfter: numberOf(after.limitUpper),
    limitLowerBefore: numberOf(before?.limitLower),
    limitLowerAfter: numberOf(after.limitLower),
    margin: numberOf(after.margin),
    reasons: after.reasons.map(({ code }) => code),
  }
}

function numberOf(number: WrittenNumber | undefined): WrittenNumber | null {
  return number === undefined ? null : shown(number)
}

/** Longer than this no instrument shows and no plan writes: digits of a quotient, which answers do not carry. */
const LENGTH_MAX = 20
/** So many characters hold no more digits than a number may have that is read. */
const LENGTH_READ = 31

function shown(number: WrittenNumber): WrittenNumber {
  const { value } = number
  if (value.length <= LENGTH_MAX) return number
  return { ...number, value: formatDecimal(round(decimal(value.slice(0, LENGTH_READ)), SHOWN_DIGITS)) }
}

/** Digits of a share that ranks, and of a corrected reading as it is shown; nothing is decided by them. */
const SHOWN_DIGITS = 12

function beyondOf({ margin, limitUpper, limitLower }: MeasurementJudgement): Decimal | undefined {
  const limit = limitUpper ?? limitLower
  if (margin === undefined || limit === undefined) return undefined
  const [inside, whole] = [readQuantity(shown(margin)), readQuantity(limit)]
  if (!('quantity' in inside) || !('quantity' in whole) || isZero(whole.quantity.value)) return undefined
  return round(negate(divide(inside.quantity.value, absolute(whole.quantity.value))), SHOWN_DIGITS)
}
