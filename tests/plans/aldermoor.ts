/**
 * Aldermoor Works, an invented maker: the workshop dust extractor EX36, its final test, and the strength rule of its
 * house. All numbers fit together and are invented; they are no limits for a real product.
 */

import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { checkPrepared, notReadable, type RevisionCheck } from '../../src/plans/check.ts'
import type { Finding } from '../../src/plans/findings.ts'
import { prepareRevision } from '../../src/plans/prepare.ts'
import type { PublishedTable } from '../../src/plans/rule-timeline.ts'
import { ruleTimeline } from '../../src/plans/rule-timeline.ts'
import { type PlanContent, PlanContentWire, type Step } from '../../src/plans/words.ts'
import type { ConfirmedVersion } from '../../src/products/versions.ts'
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import { compileTable } from '../../src/rules/compile-table.ts'
import { EditionContentWire } from '../../src/rules/words.ts'
import { planWire, productWire, strengthWire } from '../support/aldermoor.ts'

/** Members to replace, by pointer (RFC 6901); undefined takes the member out. */
export type Changes = Readonly<Record<string, unknown>>

/** A copy of content with some members replaced. */
export function changed(wire: object, changes: Changes): object {
  const copy = structuredClone(wire)
  for (const [pointer, value] of Object.entries(changes)) {
    const names = pointer.split('/').slice(1)
    const last = names.pop() ?? ''
    let at: Record<string, unknown> = copy as Record<string, unknown>
    for (const name of names) at = at[name] as Record<string, unknown>
    if (at === undefined) throw new Error(`there is nothing at ${pointer}`)
    if (value === undefined) delete at[last]
    else at[last] = structuredClone(value)
  }
  return copy
}

export function plan(changes: Changes = {}): PlanContent {
  return PlanContentWire.parse(changed(planWire, changes))
}

export function stepNamed(content: PlanContent, name: string): Step {
  const step = content.steps.find((one) => one.step === name)
  if (!step) throw new Error(`the plan has no step ${name}`)
  return step
}

export function product(changes: Changes = {}): ProductContent {
  return ProductContentWire.parse(changed(productWire, changes))
}

/** A confirmed version, in effect from 0 on and known from rules version 1 on. */
export function confirmed(
  given: Partial<Omit<ConfirmedVersion, 'content'>> = {},
  changes: Changes = {},
): ConfirmedVersion {
  const content = product(changes)
  return {
    product: content.product,
    version: content.version,
    digest: digestOf(canonicalText(content)),
    effectiveFrom: 0,
    rulesVersion: 1,
    publishedAt: -1,
    content,
    ...given,
  }
}

/** A published edition in effect from 0 on, known from rules version 2 on, that binds for a stated reason. */
export function published(
  given: Partial<Omit<PublishedTable, 'compiled' | 'table' | 'edition'>> = {},
  changes: Changes = {},
): PublishedTable {
  const content = EditionContentWire.parse(changed(strengthWire, changes))
  const compiled = compileTable(content)
  if ('refusals' in compiled) throw new Error(JSON.stringify(compiled.refusals))
  return {
    table: content.table,
    edition: content.edition,
    effectiveFrom: 0,
    rulesVersion: 2,
    publishedAt: -1,
    bindsBecause: 'house rule of the works',
    compiled: compiled.table,
    ...given,
  }
}

interface Given {
  readonly changes?: Changes
  readonly versions?: readonly ConfirmedVersion[]
  readonly tables?: readonly PublishedTable[]
  readonly from?: number
  readonly knownVersion?: number
}

/**
 * A check as it is, with what it says of steps that no rule speaks of told apart: most tables here speak of one step or
 * two, and their tests of other things.
 */
export function check(given: Given = {}): RevisionCheck & { readonly silent: readonly Finding[] } {
  const { findings, ...rest } = checkWholly(given)
  const isSilent = ({ code }: Finding) => code === 'rules-silent'
  return { ...rest, findings: findings.filter((one) => !isSilent(one)), silent: findings.filter(isSilent) }
}

export function checkWholly({
  changes = {},
  versions = [confirmed()],
  tables = [published()],
  from = 100,
  knownVersion = 99,
}: Given = {}): RevisionCheck {
  const read = prepareRevision(changed(planWire, changes))
  if ('refused' in read) return notReadable(read.refused, from)
  return checkPrepared(read.prepared, { versions, timeline: ruleTimeline(tables, knownVersion), from })
}

/** A finding in short: what, of which row, about which parameter, when. */
export function brief({ severity, code, row, parameter, from, until }: Finding): string {
  return `${severity} ${code} ${row ?? '-'} ${parameter ?? '-'} [${from}, ${until ?? 'on'})`
}

/** The least voltage and dwell that the strength step accepts, the greater trip out of the way. */
export function strength(voltage: string, dwell: string): Changes {
  return {
    '/steps/1/testVoltage': { least: voltage, most: voltage, unit: 'V' },
    '/steps/1/dwell': { least: dwell, unit: 's' },
    '/steps/1/limitUpper/value': '4.9',
  }
}

/** The house rule with other rows for the EX36, in the terms of its outputs. */
export function rows(...then: string[][]): Changes {
  const names = then.map((_, index) => `r${index + 1}`)
  return {
    '/rows': then.map((cells, index) => ({ row: names[index], when: ['"basic"', '-'], then: cells })),
    '/sources/0/rows': names,
  }
}

export function bondTable(
  least: string,
  given: Parameters<typeof published>[0] & { edition?: number } = {},
  changes: Changes = {},
): PublishedTable {
  const { edition = 3, ...publication } = given
  return published(publication, {
    '/edition': edition,
    '/table': 'bond',
    '/subject': 'protective-bonding',
    '/overrides': undefined,
    '/inputs': [{ attribute: 'protectionClass', type: 'string' }],
    '/outputs': [{ parameter: 'testCurrent', relation: '>=', unit: 'A' }],
    '/rows': [{ row: 'b', when: ['"I"'], then: [least] }],
    '/sources/0/rows': ['b'],
    ...changes,
  })
}
