import { equals, subtract } from '../exact/decimal.ts'
import { writeQuantity } from '../exact/quantity.ts'
import { type ConfirmedVersion, variantNames } from '../products/versions.ts'
import { limitValue } from './accepted.ts'
import { type Found, found } from './findings.ts'
import { checkOrder, checkPhysics, type ProductSubject } from './physics.ts'
import type { PreparedGroup, PreparedLimit, PreparedSteps } from './prepare.ts'
import { findDisagreements } from './product-match.ts'
import type { RuleTimeline } from './rule-timeline.ts'
import { unitCode } from './words.ts'

/** What depends on the product version and not on rules: variants, terminals, insulation, limit formulas, physics. */
export function checkProduct(
  { steps }: PreparedSteps,
  asked: { readonly version: ConfirmedVersion; readonly variants: readonly string[]; readonly timeline: RuleTimeline },
): Found[] {
  const { version, variants, timeline } = asked
  const names = variantNames(version.content)
  const inOrder = steps.map(({ step }) => step)
  const facts = { productVersion: String(version.version) }
  const findings: Found[] = findDisagreements(steps, timeline.connectionsOf(version)).map(
    ({ pointer, detail, step, measurement }) =>
      found({
        severity: 'blocking',
        code: 'product-disagrees',
        step,
        measurement,
        facts: { ...facts, pointer, detail },
      }),
  )
  for (const variant of names) {
    if (!variants.includes(variant)) {
      findings.push(found({ severity: 'warning', code: 'variant-not-covered', variant: variant || null, facts }))
    }
  }
  for (const variant of variants) {
    if (!names.includes(variant)) {
      findings.push(found({ severity: 'blocking', code: 'variant-unknown', variant: variant || null, facts }))
      continue
    }
    const subject = timeline.subjectOf(version, variant)
    findings.push(...checkOrder(inOrder, subject))
    for (const { step, settings, groups } of steps) {
      for (const one of settings) findings.push(...checkPhysics(one, subject))
      for (const group of groups) findings.push(...checkFormulas(group, step.step, subject))
    }
  }
  return findings
}

/** A limit that says where it comes from must be what its formula gives for the product as it now is. */
function checkFormulas({ limits, measurements }: PreparedGroup, step: string, subject: ProductSubject): Found[] {
  return limits.flatMap((limit) => {
    const one = checkFormula(limit, subject)
    return one ? measurements.map((measurement) => ({ ...one, step, measurement })) : []
  })
}

function checkFormula(
  { parameter, limit, formula }: PreparedLimit,
  { variant, attributes }: ProductSubject,
): Found | undefined {
  const head = { severity: 'blocking', variant: variant || null, parameter } as const
  const facts = { formula: limit.formula ?? '' }
  const computed = formula.compute(attributes)
  if ('missing' in computed) {
    return found({ ...head, code: 'attribute-missing', facts: { ...facts, attribute: computed.missing } })
  }
  if ('uncomputable' in computed) {
    return found({ ...head, code: 'formula-uncomputable', facts: { ...facts, because: computed.uncomputable } })
  }
  const stated = limitValue(limit, variant)
  if (!stated || equals(stated, computed.value)) return undefined
  const unit = unitCode(limit.unit)
  return found({
    ...head,
    code: 'formula-disagrees',
    relation: '=',
    demanded: { value: writeQuantity(computed.value, unit).value, unit },
    accepted: { value: writeQuantity(stated, unit).value, unit },
    margin: { value: writeQuantity(subtract(stated, computed.value), unit).value, unit },
    nearest: { value: writeQuantity(computed.value, unit).value, unit },
    facts,
  })
}
