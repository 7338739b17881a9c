/** What a person must still decide, in sentences. */
import type { Finding } from '../plans/findings.ts'
import type { PlanContent } from '../plans/words.ts'
import type { Unresolved } from '../rules/requirements.ts'
import type { StepKind } from '../rules/words.ts'
import { fitsCapabilities, testerStepCount } from '../stations/capability.ts'
import type { Capabilities } from '../stations/words.ts'
import { isOffered } from './bounds.ts'
import type { Demanded } from './choose.ts'
import type { Open } from './words.ts'

const whyUnresolved: Readonly<Record<Unresolved['code'], string>> = {
  'rule-gap': 'has no row for this product',
  'rule-ambiguous': 'has several rows for this product that demand different things',
  'attribute-missing': 'asks for an attribute that the product does not state',
  'formula-uncomputable': 'has a formula that gives no number for this product',
}

/** Tables that no plan can meet as the product is. */
export function openUnresolved(unresolved: readonly Unresolved[], pointer: string | null): Open[] {
  return unresolved.map(({ table, edition, code, attribute, rows }) => {
    const which = [attribute && `the attribute ${attribute}`, rows.length > 0 && `rows ${rows.join(', ')}`].filter(
      Boolean,
    )
    const facts = which.length > 0 ? ` (${which.join('; ')})` : ''
    return {
      pointer,
      text: `Edition ${edition} of ${table} ${whyUnresolved[code]}${facts}: change the product, the table, or what is tested.`,
    }
  })
}

/** A table that cannot be met together with the others. */
export function openRow({ table, edition, rows }: Demanded, kind: StepKind): Open {
  const named = rows.map(({ row }) => row.row).join(', ')
  const missing = new Set(
    rows.flatMap(({ demands }) => demands.filter((one) => !isOffered(kind, one)).map((one) => one.parameter)),
  )
  if (rows.every(({ demands }) => demands.some((one) => !isOffered(kind, one)))) {
    const text = `Edition ${edition} of ${table} (rows ${named}) cannot be met, since a step ${kind} has no ${[...missing].join(', ')}: the table must change.`
    return { pointer: null, text }
  }
  return {
    pointer: null,
    text: `Edition ${edition} of ${table} (rows ${named}) cannot be met together with the other tables in effect: one of them must change.`,
  }
}

/** What the plan's newest revision has otherwise, as a whole or in steps that nothing asks for: a proposal drops nothing in silence. */
export function openBefore(before: PlanContent | undefined, { steps }: PlanContent): Open[] {
  if (before === undefined) return []
  const open = before.steps
    .filter((one) => !steps.some(({ step, kind }) => step === one.step && kind === one.kind))
    .map(({ step, kind }) => ({
      pointer: null,
      text: `The newest revision has the step ${step} (${kind}), which this product and the rules in effect do not ask for: keep it or leave it out.`,
    }))
  const { decisionRule, rounding, evidenceFrom } = before
  const said = [
    decisionRule.kind !== 'simple' && `the decision rule ${decisionRule.kind}`,
    rounding.kind !== 'absolute' && `numbers ${rounding.kind}`,
    evidenceFrom !== 'one-run' && `evidence from ${evidenceFrom}`,
  ].filter((part) => typeof part === 'string')
  if (said.length === 0) return open
  return [
    ...open,
    {
      pointer: null,
      text: `The newest revision has ${said.join(', ')}; the proposal has the usual: decide which is meant.`,
    },
  ]
}

/** What an instrument would not take of the content: kinds, ranges, and tester steps beyond its programs. */
export function openMisfits(
  content: PlanContent,
  asked: { readonly instrument: string; readonly capabilities: Capabilities } | undefined,
): Open[] {
  if (!asked) return []
  const { instrument, capabilities } = asked
  const open = fitsCapabilities(content, capabilities).map(({ detail }) => ({
    pointer: null,
    text: `${instrument}: ${detail}.`,
  }))
  if (!capabilities.programs) return open
  const { count, stepsEach } = capabilities.programs
  const needed = testerStepCount(content)
  if (needed <= count * stepsEach) return open
  const text = `${instrument}: ${needed} tester steps are planned; its programs (${count}, of ${stepsEach} steps each) hold ${count * stepsEach}.`
  return [...open, { pointer: null, text }]
}

/** Variants that a sentence names; of more it says how many. */
const VARIANTS_NAMED = 5

/** What the check of the proposal blocks on, so that nothing that blocks goes unsaid; once for all variants. */
export function openFindings(findings: readonly Finding[], { steps }: PlanContent): Open[] {
  const said = new Map<
    string,
    { readonly pointer: string | null; readonly where: string[]; readonly variants: Set<string>; readonly code: string }
  >()
  for (const { severity, code, step, parameter, table, edition, row, variant, facts } of findings) {
    if (severity !== 'blocking') continue
    const index = steps.findIndex((one) => one.step === step)
    const pointer = index < 0 ? null : `/steps/${index}`
    const where = [
      table !== null && `edition ${edition} of ${table}${row === null ? '' : `, row ${row}`}`,
      parameter !== null && `about ${parameter}`,
      facts['attribute'] !== undefined && `attribute ${facts['attribute']}`,
    ].filter((part) => typeof part === 'string')
    const key = JSON.stringify([pointer, code, where])
    const one = said.get(key) ?? { pointer, where, variants: new Set<string>(), code }
    said.set(key, one)
    if (variant !== null) one.variants.add(variant)
  }
  return [...said.values()].map(({ pointer, where, variants, code }) => {
    const named = [...variants].slice(0, VARIANTS_NAMED).join(', ')
    const more = variants.size > VARIANTS_NAMED ? ` and ${variants.size - VARIANTS_NAMED} more` : ''
    const parts = variants.size === 0 ? where : [...where, `for ${named}${more}`]
    const facts = parts.length > 0 ? ` (${parts.join('; ')})` : ''
    return { pointer, text: `The check finds ${code}${facts}: as proposed the revision would be blocked.` }
  })
}
