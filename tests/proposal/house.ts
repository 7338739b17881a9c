/** Aldermoor Works (invented), its tables and products from the seed, asked for a proposal. */
import { readFileSync } from 'node:fs'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import type { PublishedTable } from '../../src/plans/rule-timeline.ts'
import { ruleTimeline } from '../../src/plans/rule-timeline.ts'
import { type ConfirmedVersion, variantNames } from '../../src/products/versions.ts'
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import { type Asked, type Proposed, proposePlan } from '../../src/proposal/propose.ts'
import { compileTable } from '../../src/rules/compile-table.ts'
import { type EditionContent, EditionContentWire } from '../../src/rules/words.ts'
import { type Changes, changed } from '../plans/aldermoor.ts'

function seed(name: string): { content: object } {
  return JSON.parse(readFileSync(new URL(`../../seed/aldermoor/${name}.json`, import.meta.url), 'utf8'))
}

export function productNamed(name: string, changes: Changes = {}): ProductContent {
  return ProductContentWire.parse(changed(seed(name).content, changes))
}

export function versionOf(content: ProductContent): ConfirmedVersion {
  return {
    product: content.product,
    version: content.version,
    digest: digestOf(canonicalText(content)),
    effectiveFrom: 0,
    rulesVersion: 1,
    publishedAt: -1,
    content,
  }
}

export function tableOf(content: EditionContent, rulesVersion: number, effectiveFrom = 0): PublishedTable {
  const compiled = compileTable(content)
  if ('refusals' in compiled) throw new Error(JSON.stringify(compiled.refusals))
  const { table, edition } = content
  return {
    table,
    edition,
    effectiveFrom,
    rulesVersion,
    publishedAt: -1,
    bindsBecause: 'house rule',
    compiled: compiled.table,
  }
}

export function tableNamed(name: string, rulesVersion: number, changes: Changes = {}): PublishedTable {
  return tableOf(EditionContentWire.parse(changed(seed(`rule-${name}`).content, changes)), rulesVersion)
}

const house = [
  'appliance-steps-1',
  'appliance-bonding-1',
  'appliance-strength-4',
  'extractor-strength-3',
  'appliance-insulation-1',
  'appliance-touch-1',
  'appliance-order-1',
]
export const houseTables = house.map((name, index) => tableNamed(name, index + 2))

export function propose(
  content: ProductContent,
  given: Partial<Omit<Asked, 'timeline'>> & { readonly tables?: readonly PublishedTable[] } = {},
): Proposed {
  const { tables = houseTables, ...rest } = given
  const version = versionOf(content)
  return proposePlan({
    plan: 'proposed',
    revision: 1,
    operation: 'final',
    sites: undefined,
    version,
    isConfirmed: true,
    versions: [version],
    timeline: ruleTimeline(tables, 99),
    from: 100,
    before: undefined,
    readings: [],
    readingsOf: variantNames(content),
    instrument: undefined,
    ...rest,
  })
}
