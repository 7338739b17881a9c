import { compare, type Decimal, isNegative, isZero } from '../exact/decimal.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import { variantNames } from '../products/versions.ts'
import type { ProductContent } from '../products/words.ts'
import { compilePlanFormula } from '../rules/feel-compile.ts'
import { limitValue } from './accepted.ts'
import { checkDecision, checkRounding } from './decision-check.ts'
import { connectionsOf, findDisagreements } from './product-match.ts'
import { acceptedEnds, needsLeast, quantityValue, valueSet, type WindowName, windowNames } from './windows.ts'
import {
  type AnySettings,
  type Limit,
  type PlanContent,
  type PlanQuantity,
  type Settings,
  type Step,
  settingsOf,
  unitCode,
  type Window,
} from './words.ts'

type Refuse = (pointer: string, detail: string, code?: string) => void

/**
 * Why content cannot be stored as a draft, as far as its schema cannot see: references inside the content, the product version that it cites, and settings that no
 * test could meet. All refusals are given, none for sound content.
 */
export function checkPlanContent(content: PlanContent, product: ProductContent): ContentRefusal[] {
  const refusals: ContentRefusal[] = []
  const refuse: Refuse = (pointer, detail, code = 'field-invalid') => refusals.push({ pointer, code, detail })
  if (content.product !== product.product) refuse('/product', `the product version is one of ${product.product}`)
  if (content.productVersion !== product.version) refuse('/productVersion', `the version given is ${product.version}`)
  const variants = variantNames(product)
  const measurementCount = content.steps.reduce((count, { measurements }) => count + measurements.length, 0)
  if (measurementCount * variants.length > CELLS_MAX) {
    refuse('/steps', `hold ${measurementCount} measurements, for ${variants.length} variants each: ${TOO_MANY}`)
    return refusals
  }
  checkUnique(content.sites ?? [], (index) => `/sites/${index}`, refuse)
  checkPositive(content.runDurationMax, '/runDurationMax', refuse)
  checkRounding(content, refuse)
  const before = new Map<string, Step>()
  content.steps.forEach((step, index) => {
    const pointer = `/steps/${index}`
    if (before.has(step.step)) refuse(`${pointer}/step`, `the step ${step.step} is given twice`)
    checkAfter(step, before, pointer, refuse)
    checkStep(step, { content, variants, before, pointer, refuse })
    before.set(step.step, step)
  })
  const steps = content.steps.map((step) => ({ step, settings: settingsOf(step) }))
  for (const { pointer, detail } of findDisagreements(steps, connectionsOf(product))) refuse(pointer, detail)
  return refusals
}

/** What is checked each time that rules change: every measurement for every variant. */
const CELLS_MAX = 5_000
const TOO_MANY = `at most ${CELLS_MAX} can be checked together, so make several plans of it`

function checkUnique(names: readonly string[], pointer: (index: number) => string, refuse: Refuse): void {
  const seen = new Set<string>()
  names.forEach((name, index) => {
    if (seen.has(name)) refuse(pointer(index), `${name} is given twice`)
    seen.add(name)
  })
}

/** A step runs after steps that stand before it, so that the plan reads in its order and has no circle. */
function checkAfter(step: Step, before: ReadonlyMap<string, Step>, pointer: string, refuse: Refuse): void {
  checkUnique(step.after, (index) => `${pointer}/after/${index}`, refuse)
  step.after.forEach((name, index) => {
    if (!before.has(name)) refuse(`${pointer}/after/${index}`, `no step ${name} stands before this one`)
  })
}

interface StepContext {
  readonly content: PlanContent
  readonly variants: readonly string[]
  readonly before: ReadonlyMap<string, Step>
  readonly pointer: string
  readonly refuse: Refuse
}

/** Checks what the step says once, and what its measurements say themselves, each where it stands. */
function checkStep(step: Step, { content, variants, before, pointer, refuse }: StepContext): void {
  checkUnique(
    step.measurements.map(({ measurement }) => measurement),
    (index) => `${pointer}/measurements/${index}/measurement`,
    refuse,
  )
  checkMembers(step, { variants, pointer, refuse })
  step.measurements.forEach((own, index) => {
    const { from, to }: AnySettings = own
    to?.forEach((terminal, position) => {
      if (!from?.includes(terminal)) return
      refuse(`${pointer}/measurements/${index}/to/${position}`, `${terminal} is in from already: nothing lies between`)
    })
    checkMembers(own, { variants, pointer: `${pointer}/measurements/${index}`, refuse })
  })
  // What holds together is asked of each measurement, and said once where the step alone says it.
  const said = new Set<string>()
  settingsOf(step).forEach((settings, index) => {
    const own: Readonly<Record<string, unknown>> = { ...step.measurements[index] }
    const refuseMember: TogetherContext['refuse'] = (member, detail, code) => {
      const isOwn = (own[member.split('/')[0] ?? member] ?? null) !== null
      const at = isOwn ? `${pointer}/measurements/${index}/${member}` : `${pointer}/${member}`
      if (!said.has(`${at} ${detail}`)) refuse(at, detail, code)
      said.add(`${at} ${detail}`)
    }
    checkTogether(settings, { variants, before, refuse: refuseMember })
    checkDecision(settings, content, variants, refuseMember)
  })
}

/** A test with none of these is no test. */
const positiveNames: readonly string[] = ['testCurrent', 'testVoltage', 'supplyVoltage', 'frequency']

function checkMembers(
  members: AnySettings,
  {
    variants,
    pointer,
    refuse,
  }: { readonly variants: readonly string[]; readonly pointer: string; readonly refuse: Refuse },
): void {
  for (const name of windowNames) {
    const window = members[name]
    if (window) checkWindow(name, window, { pointer: `${pointer}/${name}`, refuse })
  }
  for (const name of ['limitUpper', 'limitLower'] as const) {
    const limit = members[name]
    if (limit) checkLimit(limit, { variants, pointer: `${pointer}/${name}`, refuse })
  }
  if (members.tripCurrent) checkPositive(members.tripCurrent, `${pointer}/tripCurrent`, refuse)
  if (members.openLeadMinimum) checkPositive(members.openLeadMinimum, `${pointer}/openLeadMinimum`, refuse)
  if (members.arcDetection) checkPositive(members.arcDetection.threshold, `${pointer}/arcDetection/threshold`, refuse)
  if (members.leadOffset) {
    checkPositive(members.leadOffset.ageMax, `${pointer}/leadOffset/ageMax`, refuse)
    if (isNegative(quantityValue(members.leadOffset.most)))
      refuse(`${pointer}/leadOffset/most/value`, 'must not be negative')
  }
}

function checkPositive(quantity: PlanQuantity, pointer: string, refuse: Refuse): void {
  const value = quantityValue(quantity)
  if (isNegative(value) || isZero(value)) refuse(`${pointer}/value`, 'must be above zero')
}

function checkWindow(
  name: WindowName,
  window: Window,
  { pointer, refuse }: { readonly pointer: string; readonly refuse: Refuse },
): void {
  const { least, most } = acceptedEnds(name, window)
  const set = valueSet(window)
  const positive = positiveNames.includes(name)
  if (!least && !most) refuse(pointer, 'must state at least one of set, least, most')
  else if (!least && needsLeast(name)) {
    refuse(`${pointer}/least`, 'is required where no set states it: without it any lesser stress would count as a test')
  }
  for (const [member, value] of [
    ['least', least],
    ['set', set],
    ['most', most],
  ] as const) {
    if (!value) continue
    if (isNegative(value)) refuse(`${pointer}/${member}`, 'must not be negative')
    else if (positive && isZero(value)) refuse(`${pointer}/${member}`, 'must be above zero')
  }
  if (isAbove(least, most)) refuse(`${pointer}/least`, 'must not be above most')
  if (isAbove(least, set)) refuse(`${pointer}/set`, 'must not be below least')
  if (isAbove(set, most)) refuse(`${pointer}/set`, 'must not be above most')
}

function isAbove(a: Decimal | undefined, b: Decimal | undefined): boolean {
  return a !== undefined && b !== undefined && compare(a, b) > 0
}

/** One value, or one for each variant of the product and no other; a formula that can be read. */
function checkLimit(
  limit: Limit,
  {
    variants,
    pointer,
    refuse,
  }: { readonly variants: readonly string[]; readonly pointer: string; readonly refuse: Refuse },
): void {
  const { value, byVariant, formula } = limit
  const hasValue = value !== null && value !== undefined
  if (hasValue && byVariant) refuse(`${pointer}/byVariant`, 'must not stand beside value')
  else if (!hasValue && !byVariant) refuse(`${pointer}/value`, 'is required where there is no byVariant')
  const named = Object.entries(byVariant ?? {})
  for (const [variant] of named) {
    if (!variants.includes(variant)) refuse(`${pointer}/byVariant/${variant}`, 'is no variant of the product version')
  }
  if (byVariant) {
    const missing = variants.filter((variant) => !Object.hasOwn(byVariant, variant))
    for (const variant of missing) {
      const detail = variant === '' ? 'the product has no variants' : `must name the variant ${variant}`
      refuse(`${pointer}/byVariant`, detail)
    }
  }
  for (const [member, digits] of [
    ...(hasValue ? [['value', value] as const] : []),
    ...named.map(([variant, digits]) => [`byVariant/${variant}`, digits] as const),
  ]) {
    if (digits.startsWith('-')) refuse(`${pointer}/${member}`, 'must not be negative')
  }
  if (formula === null || formula === undefined) return
  const compiled = compilePlanFormula(formula, unitCode(limit.unit))
  if ('refusals' in compiled) {
    for (const { code, at, detail } of compiled.refusals)
      refuse(`${pointer}/formula`, `at character ${at + 1}: ${detail}`, code)
  }
}

interface TogetherContext {
  readonly variants: readonly string[]
  readonly before: ReadonlyMap<string, Step>
  readonly refuse: (member: string, detail: string, code?: string) => void
}

/** What must fit together in the settings of one measurement. */
function checkTogether(settings: Settings, { variants, before, refuse }: TogetherContext): void {
  const said: AnySettings = settings
  for (const variant of variants) {
    const upper = limitValue(said.limitUpper, variant)
    if (isAbove(limitValue(said.limitLower, variant), upper)) refuse('limitLower', 'must not be above limitUpper')
    const minimum =
      'openLeadMinimum' in settings && settings.openLeadMinimum ? quantityValue(settings.openLeadMinimum) : undefined
    if (minimum && upper && compare(minimum, upper) >= 0) refuse('openLeadMinimum', 'must be below limitUpper')
  }
  if ('residualVoltage' in settings && !acceptedEnds('residualVoltage', settings.residualVoltage).most) {
    refuse('residualVoltage', 'must state most: how much may be left')
  }
  if (settings.kind === 'residual-voltage' && !acceptedEnds('readAt', settings.readAt).most) {
    refuse('readAt', 'must state most: the voltage falls, so read late any unit looks good')
  }
  if ('method' in settings) {
    const isTwoWire = settings.method === 'two-wire'
    if (isTwoWire && !settings.leadOffset) refuse('leadOffset', 'is required for the method two-wire')
    if (!isTwoWire && settings.leadOffset) refuse('leadOffset', `is not for the method ${settings.method}`)
  }
  if (settings.kind === 'electric-strength-ac' && !settings.openLeadMinimum && !settings.contactProvenBy) {
    refuse('openLeadMinimum', 'is required where no contactProvenBy names the step that proves contact')
  }
  if ('contactProvenBy' in settings && settings.contactProvenBy) {
    checkProof(settings.contactProvenBy, before, (detail) => refuse('contactProvenBy', detail))
  }
}

/** Contact is proven by a step that has run before and would have shown an open lead by its own minimum. */
function checkProof(name: string, before: ReadonlyMap<string, Step>, refuse: (detail: string) => void): void {
  const proof = before.get(name)
  if (!proof) {
    refuse(`no step ${name} stands before this one`)
    return
  }
  const sees = settingsOf(proof).every((settings) => 'openLeadMinimum' in settings && settings.openLeadMinimum)
  if (!sees) refuse(`the step ${name} has no openLeadMinimum, so it proves no contact`)
}
