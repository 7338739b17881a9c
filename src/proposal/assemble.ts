/** Steps put together to the content of a plan, with the reasons where they stand in it. */
import { add, type Decimal, decimal, formatDecimal, multiply, parseDecimal, roundUp, ZERO } from '../exact/decimal.ts'
import { checkPlanContent } from '../plans/content-check.ts'
import { type AnySettings, PlanContentWire } from '../plans/words.ts'
import type { ConfirmedVersion } from '../products/versions.ts'
import type { ProductContent } from '../products/words.ts'
import { type Box, unbounded } from './bounds.ts'
import { buildStep } from './build.ts'
import type { Building, Built } from './building.ts'
import { orderSteps } from './order.ts'
import { provenContact } from './proof.ts'
import { byDefault, type Said, type Why } from './said.ts'
import type { Wanted } from './wanted.ts'
import type { Open, Reason } from './words.ts'

/** What the plan says as a whole. */
export interface Head {
  readonly plan: string
  /** The number that the content gets: the next one of the plan. */
  readonly revision: number
  readonly operation: string
  /** Undefined: every site. */
  readonly sites: readonly string[] | undefined
  /** The version proposed for, as if confirmed where it is not. */
  readonly version: ConfirmedVersion
}

export interface ProposedStep {
  readonly wanted: Wanted
  readonly box: Box
  readonly built: Built
  readonly open: readonly Open[]
}

/** The content of these steps, leaving out those that no plan could hold: numbers beyond what can be written or tested. */
export function withoutFaults(steps: readonly ProposedStep[], asked: Head) {
  let kept = steps.length === 0 ? [lookOnly()] : steps
  const open: Open[] = []
  for (;;) {
    const made = assemble(kept, asked)
    const { order } = made
    const faults = new Map<ProposedStep | undefined, string>()
    for (const { pointer, detail } of faultsOf(made.value, asked.version.content)) {
      faults.set(order[stepIndexOf(pointer, order.length)], `${pointer} ${detail}`)
    }
    if (faults.size === 0) {
      return { content: PlanContentWire.parse(made.value), reasons: made.reasons, open: [...open, ...made.open] }
    }
    const because = [...faults.values()].join('; ')
    if (faults.has(undefined)) throw new TypeError(`what a proposal says as a whole is refused: ${because}`)
    const out = new Set([...faults.keys()].map((step) => step?.wanted.step))
    for (const [step, fault] of faults) {
      open.push({
        pointer: null,
        text: `The step ${step?.wanted.step} is left out, since no plan can say it: ${fault}.`,
      })
    }
    kept = kept.filter(({ wanted }) => !out.has(wanted.step))
    if (kept.length === 0) kept = [lookOnly()]
  }
}

/** Why a plan could not be stored as a draft. */
export function faultsOf(value: unknown, product: ProductContent): { pointer: string; detail: string }[] {
  const read = PlanContentWire.safeParse(value)
  if (!read.success)
    return read.error.issues.map(({ path, message }) => ({ pointer: `/${path.join('/')}`, detail: message }))
  return checkPlanContent(read.data, product)
}

/** The step at fault; the last one where all together are too many. -1: the plan as a whole. */
function stepIndexOf(pointer: string, count: number): number {
  const [, index] = /^\/steps(?:\/([0-9]+))?/.exec(pointer) ?? [undefined, '-1']
  return index === undefined ? count - 1 : Number(index)
}

/** The last step there is when all others could not be said. */
function lookOnly(): ProposedStep {
  const wanted: Wanted = {
    step: 'look',
    kind: 'inspection',
    insulation: undefined,
    measurements: [{ measurement: 'whole', instruction: 'Housing, supply cord and marking are whole and undamaged.' }],
    why: byDefault('Nothing else could be proposed; a person looks at least.'),
    isDemanded: false,
  }
  const built = buildStep(wanted, unbounded, nothing)
  if (!built) throw new TypeError('an inspection can always be built')
  return { wanted, box: unbounded, built, open: [] }
}

const nothing: Building = {
  variants: [''],
  subjectsOf: () => [],
  stated: { method: 'four-wire', detector: 'rms', network: '' },
  reach: undefined,
  miss: undefined,
  readings: [],
  readingsOf: [],
}

function assemble(steps: readonly ProposedStep[], asked: Head) {
  const ordered = orderSteps(steps)
  const order = provenContact(ordered.steps)
  const reasons: Reason[] = []
  const open: Open[] = ordered.circles.map(({ earlier, later, why }) => ({
    pointer: null,
    text: `${earlier} cannot come before ${later}, since that would go in a circle. ${why.because}`,
  }))
  const written = order.map(({ wanted, built, open: left }, index) => {
    const at = `/steps/${index}`
    const after = ordered.after.get(wanted.step) ?? { value: [], why: [] }
    reasons.push(...reasonsOf(built.step, at), ...reasonsOf(after, `${at}/after`))
    open.push(...left, ...built.open.map(({ pointer, text }) => ({ pointer: `${at}${pointer}`, text })))
    return { ...(built.step.value as object), after: after.value }
  })
  const head = planHead(asked, written)
  return {
    value: { ...(head.value as object), steps: written },
    reasons: [...reasonsOf(head, ''), ...reasons],
    open,
    order,
  }
}

function reasonsOf({ why }: Said, at: string): Reason[] {
  return why.map(({ pointer, value, why: { because, source, rule, readings } }) => ({
    pointer: `${at}${pointer}`,
    value,
    because,
    source,
    rule: rule ?? null,
    readings: readings ?? null,
  }))
}

/** What the plan says as a whole. */
export function planHead({ plan, revision, operation, sites, version }: Head, steps: readonly object[]): Said {
  const why: Said['why'][number][] = []
  const say = (pointer: string, value: string, reason: Why) => why.push({ pointer, value, why: reason })
  say('/revision', String(revision), { source: 'plan', because: 'The next number of the plan.' })
  say('/productVersion', String(version.version), { source: 'product', because: 'The version proposed for.' })
  say('/attemptsWithoutCauseMax', '2', byDefault('A second attempt may follow a slip; a third needs a cause.'))
  const longest = formatDecimal(roundUp(secondsOf(steps), 2))
  const because =
    'Two minutes, and for each measurement its own time and twenty seconds: a run that takes longer is looked at.'
  say('/runDurationMax/value', longest, byDefault(because))
  say('/evidenceFrom', 'one-run', byDefault('One run must pass wholly.'))
  say('/decisionRule/kind', 'simple', byDefault('By the limit alone.'))
  say('/rounding/kind', 'absolute', byDefault('Numbers are compared as they are.'))
  const value = {
    plan,
    revision,
    operation,
    ...(sites !== undefined && { sites }),
    product: version.product,
    productVersion: version.version,
    productDigest: version.digest,
    evidenceFrom: 'one-run',
    attemptsWithoutCauseMax: 2,
    runDurationMax: { value: longest, unit: 's' },
    decisionRule: { kind: 'simple' },
    rounding: { kind: 'absolute' },
  }
  return { value, why }
}

/** How long a run may take: time for people, and for each measurement what the step sets. */
function secondsOf(steps: readonly object[]): Decimal {
  return steps.reduce<Decimal>((sum, step) => {
    const { dwell, readAt, measurements }: AnySettings & { readonly measurements?: readonly unknown[] } = step
    // Digits that no plan could hold lead to the step's being left out; they count for nothing here.
    const own = parseDecimal(dwell?.set ?? readAt?.set ?? '0') ?? ZERO
    const each = add(decimal(20), own)
    return add(sum, multiply(decimal(measurements?.length ?? 0), each))
  }, decimal(120))
}
