import type { Finding, FindingCode } from './findings.ts'

/**
 * Findings in words that an author can act on. Only codes, numbers and facts are stored; a sentence may be reworded at
 * any time. Facts come from rows of earlier versions too, so that a missing one leaves a sentence short and never fails.
 */

type SaidValue =
  | null
  | boolean
  | readonly string[]
  | { readonly value: string; readonly unit: string }
  | {
      readonly least?: string | undefined
      readonly most?: string | undefined
      readonly above?: string | undefined
      readonly below?: string | undefined
      readonly unit: string
    }
/** What of a finding is said, whether found just now or stored. */
type Said = Pick<
  Finding,
  'code' | 'table' | 'edition' | 'row' | 'variant' | 'step' | 'measurement' | 'parameter' | 'relation' | 'facts'
> & { readonly demanded: SaidValue; readonly accepted: SaidValue }
type Sentence = (finding: Said, fact: (name: string) => string) => string

/** What the finding says of the plan, with its numbers, and where that is not plain from them what to do. */
export function findingSentence(finding: Said): string {
  const said = sentences[finding.code](finding, (name) => finding.facts[name] ?? 'unknown')
  return `${placeOf(finding)}${capitalised(said)}`
}

function capitalised(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1)
}

/** Which step, measurement and variant it is about. */
function placeOf({ step, measurement, variant }: Said): string {
  const place = [
    ...(step === null ? [] : [`step ${step}`]),
    ...(measurement === null ? [] : [`measurement ${measurement}`]),
    ...(variant === null ? [] : [`variant ${variant}`]),
  ].join(', ')
  return place === '' ? '' : `${capitalised(place)}: `
}

function text(written: SaidValue): string {
  if (written === null) return 'nothing'
  if (typeof written === 'boolean') return written ? 'yes' : 'no'
  if (isList(written)) return written.join(', ')
  if ('value' in written) return `${written.value} ${written.unit}`
  const { least, most, above, below, unit } = written
  if (least !== undefined && least === most) return `${least} ${unit}`
  const bounds = [
    ...(least === undefined ? [] : [`at least ${least} ${unit}`]),
    ...(above === undefined ? [] : [`above ${above} ${unit}`]),
    ...(most === undefined ? [] : [`at most ${most} ${unit}`]),
    ...(below === undefined ? [] : [`below ${below} ${unit}`]),
  ]
  return bounds.length === 0 ? 'anything' : bounds.join(' and ')
}

/** `Array.isArray` does not know lists that may not be changed. */
function isList(value: NonNullable<SaidValue>): value is readonly string[] {
  return Array.isArray(value)
}

const asked: Readonly<Record<string, string>> = { '>=': 'at least ', '<=': 'at most ', '=': 'exactly ', in: '' }

/** The row of the edition that asks. */
function rule({ table, edition, row }: Said): string {
  if (table === null) return 'a rule table'
  return `rule table ${table}, edition ${edition},${row === null ? '' : ` row ${row},`}`
}

function demandOf(finding: Said): string {
  const relation = finding.relation === null ? '' : (asked[finding.relation] ?? '')
  return `${parameter(finding)} ${relation}${text(finding.demanded)}`
}

function parameter(finding: Said): string {
  return finding.parameter ?? 'a setting'
}

/** What a rule that only warns adds. */
function binding({ facts }: Said): string {
  return facts['binding'] === 'none'
    ? ' The rule binds nobody: no verified source states it, and no reason was given.'
    : ''
}

const sentences: Readonly<Record<FindingCode, Sentence>> = {
  'requirement-not-met': (finding) =>
    `${rule(finding)} asks for ${demandOf(finding)}; the plan accepts ${text(finding.accepted)}.${binding(finding)}`,
  'parameter-absent': (finding) =>
    `${rule(finding)} asks for ${demandOf(finding)}; the plan says nothing of it.${binding(finding)}`,
  'parameter-unbounded': (finding) =>
    `${rule(finding)} asks for ${demandOf(finding)}; the plan leaves that end open.${binding(finding)}`,
  'rule-gap': (finding) =>
    `${rule(finding)} applies, and no row of it covers this product. Nothing says what the test must be.`,
  'rule-ambiguous': (finding, fact) =>
    `${rule(finding)} applies, and its rows ${fact('rows')} match at once, of which only one may. The table is to be mended.`,
  'attribute-missing': (finding, fact) =>
    finding.table === null
      ? `The formula of ${parameter(finding)} needs ${fact('attribute')}, which the product does not state.`
      : `${rule(finding)} needs ${fact('attribute')}, which the product does not state.`,
  'formula-uncomputable': (finding, fact) =>
    finding.table === null
      ? `The formula of ${parameter(finding)} gives no number: ${fact('because')}.`
      : `A formula of ${rule(finding)} gives no number: ${fact('because')}.`,
  'expected-current-above-limit': (finding, fact) =>
    `A sound unit draws up to ${text(finding.demanded)} through its own capacitance (${fact('capacitance')}, ${fact('tolerance')}, at ${fact('voltage')} and ${fact('frequency')}); ${parameter(finding)} is ${text(finding.accepted)}. Good units would fail.`,
  'expected-current-unknown': (_, fact) =>
    `The current of a sound unit cannot be computed without ${fact('missing')}, so the limits were not compared with it.`,
  'charging-current-above-limit': (finding, fact) =>
    finding.demanded === null
      ? `Without a time of rise the charging current has no bound (${fact('capacitance')}, ${fact('voltage')}).`
      : `A sound unit draws up to ${text(finding.demanded)} while it charges in ${fact('rampUp')}; ${parameter(finding)} is ${text(finding.accepted)}. Rise more slowly.`,
  'open-lead-minimum-above-expected': (finding) =>
    `A sound unit may draw as little as ${text(finding.demanded)}; with an openLeadMinimum of ${text(finding.accepted)} its test would be invalid.`,
  'open-lead-unseen': (finding) =>
    finding.parameter === 'contactProvenBy'
      ? 'A lead that is off would give the best possible reading, and no step proves the contact.'
      : 'A lead that is off would give the best possible reading: state an openLeadMinimum, or which step proves the contact.',
  'source-voltage-short': (finding, fact) =>
    `A unit on the limit of ${fact('limitUpper')} needs ${text(finding.demanded)} to carry ${fact('current')}; the source gives ${text(finding.accepted)}.`,
  'bonding-not-before': () =>
    'It stresses or supplies the unit before protective bonding is proven. Name the bonding step in after.',
  'formula-disagrees': (finding) =>
    `The formula of ${parameter(finding)} gives ${text(finding.demanded)} for this product; the plan says ${text(finding.accepted)}.`,
  'product-disagrees': (_, fact) => `it does not fit the product in effect at ${fact('pointer')}: ${fact('detail')}.`,
  'variant-unknown': ({ variant }) =>
    variant === null
      ? 'The product has variants now, and the plan names none.'
      : 'The product version in effect has no such variant.',
  'variant-not-covered': () => 'The plan does not name this variant, so that it is in force for none of its units.',
  'product-version-unconfirmed': () => 'The product version that the plan cites is not confirmed.',
  'product-not-in-effect': () => 'No version of the product is in effect.',
  'content-not-readable': (_, fact) => `The content cannot be read by the rules of today: ${fact('because')}.`,
  'edition-not-readable': (finding) => `${rule(finding)} cannot be read, so nothing is known of it.`,
  'rule-set-empty': (_, fact) =>
    `No table in effect belongs to the rule set ${fact('ruleSet')}, which the product names: nothing of it is demanded. Is the name right?`,
  'rules-silent': () => 'No table in effect applies to this step: no rule was compared with it.',
  'parameter-overridden': (finding, fact) =>
    `${rule(finding)} would ask for ${parameter(finding)}, which ${fact('by')} takes out: ${fact('reason')}.`,
  'findings-left-out': (_, fact) => `Only the first ${fact('told')} findings are told.`,
  'window-open-above': (finding) => `nothing bounds ${parameter(finding)} upwards: any higher stress counts as valid.`,
  'bond-missing': () => 'The product is earthed, and the plan has no protective bonding.',
  'earthed-part-not-tested': (_, fact) =>
    `No bonding measurement touches ${fact('part')}, which is joined to the protective conductor.`,
}
