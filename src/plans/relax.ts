import { compare, decimal } from '../exact/decimal.ts'
import { readUnit } from '../exact/unit-codes.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import { type PermitContent, type RelaxedLimit, relaxedLimits } from './permit-words.ts'
import { type AnySettings, type Limit, limitText, type PlanContent, type Step, settingsOf } from './words.ts'

/** A limit of one step, or of one of its measurements, in place of the plan's; '' is the variant of a product without. */
export interface Relaxation {
  readonly step: string
  readonly measurement: string | null
  readonly member: RelaxedLimit
  /** In the unit of the plan's own limit. */
  readonly value: string
  /** Null: every one. */
  readonly variants: readonly string[] | null
}

export function relaxationOf(content: PermitContent): Relaxation {
  const member = relaxedLimits.find((name) => content[name]) ?? 'limitUpper'
  const limit = content[member]
  if (!limit) throw new Error(`permit ${content.permit} relaxes nothing`)
  return {
    step: content.step,
    measurement: content.measurement ?? null,
    member,
    value: limit.value,
    variants: content.variants ?? null,
  }
}

/**
 * Why a permit cannot be one of this revision: what it names is not there, it states no limit or two, or one that relaxes
 * nothing. `variants` are those of the product version that the revision cites.
 */
export function checkPermit(
  permit: PermitContent,
  content: PlanContent,
  variants: readonly string[],
): ContentRefusal[] {
  const refusals: ContentRefusal[] = []
  const refuse = (pointer: string, detail: string) => refusals.push({ pointer, code: 'field-invalid', detail })
  const given = relaxedLimits.filter((name) => permit[name])
  const [member] = given
  if (member === undefined || given.length !== 1) {
    refuse('/limitUpper', 'exactly one of limitUpper and limitLower is relaxed')
    return refusals
  }
  for (const [index, variant] of (permit.variants ?? []).entries()) {
    if (!variants.includes(variant)) refuse(`/variants/${index}`, `the product has no variant ${variant}`)
  }
  const step = content.steps.find((one) => one.step === permit.step)
  if (step === undefined) {
    refuse('/step', `the revision has no step ${permit.step}`)
    return refusals
  }
  const settings = settingsOf(step).filter(({ measurement }) => measurement === (permit.measurement ?? measurement))
  if (settings.length === 0) refuse('/measurement', `step ${permit.step} has no measurement ${permit.measurement}`)
  const relaxed = permit[member]
  const asked = permit.variants ?? variants
  for (const one of settings) {
    const limit: Limit | null | undefined = (one as AnySettings)[member]
    if (!limit) refuse(`/${member}`, `${one.measurement} has no such limit`)
    else if (relaxed) {
      const refusal = notRelaxing(member, relaxed, { limit, variants: asked })
      if (refusal !== undefined) refuse(`/${member}${refusal.member}`, `${one.measurement}: ${refusal.detail}`)
    }
  }
  return refusals
}

function notRelaxing(
  member: RelaxedLimit,
  relaxed: { readonly value: string; readonly unit: string },
  { limit, variants }: { readonly limit: Limit; readonly variants: readonly string[] },
): { readonly member: string; readonly detail: string } | undefined {
  if (readUnit(relaxed.unit) !== readUnit(limit.unit)) {
    return { member: '/unit', detail: `must be ${limit.unit}, the unit of the plan's limit` }
  }
  const value = decimal(relaxed.value)
  for (const variant of variants) {
    const text = limitText(limit, variant)
    if (text === undefined) continue
    const side = compare(value, decimal(text))
    if (member === 'limitUpper' ? side > 0 : side < 0) continue
    return { member: '/value', detail: `does not relax the limit of ${text} ${limit.unit}` }
  }
  return undefined
}

/**
 * The content with limits relaxed, to be checked and judged like any other. A formula says where the plan's own value
 * comes from, so it does not go along. `variants` are those of the product version that the revision cites.
 */
export function relaxedContent(
  content: PlanContent,
  relaxations: readonly Relaxation[],
  variants: readonly string[],
): PlanContent {
  const steps = content.steps.map((step): Step => {
    const own = relaxations.filter((one) => one.step === step.step)
    if (own.length === 0) return step
    // What holds for each measurement is written out, so that a limit of the step reaches those it is relaxed for alone.
    const settings = settingsOf(step) as AnySettings[]
    const measurements = step.measurements.map((measurement, index) => {
      const relaxed: Record<string, unknown> = { ...measurement }
      for (const one of own) {
        const limit = settings[index]?.[one.member]
        if (!limit || (one.measurement !== null && one.measurement !== measurement.measurement)) continue
        relaxed[one.member] = relaxedLimit((relaxed[one.member] as Limit | null | undefined) ?? limit, one, variants)
      }
      return relaxed
    })
    return { ...step, measurements } as unknown as Step
  })
  return { ...content, steps }
}

function relaxedLimit({ unit, inclusive, ...limit }: Limit, one: Relaxation, variants: readonly string[]): Limit {
  const { value } = one
  if (one.variants === null) return { value, unit, inclusive }
  const named = variants.map((variant) => {
    const text = one.variants?.includes(variant) ? value : limitText({ unit, inclusive, ...limit }, variant)
    return text === undefined ? [] : [[variant, text] as const]
  })
  return { byVariant: Object.fromEntries(named.flat()), unit, inclusive }
}
