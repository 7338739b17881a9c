import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import { type DraftRecord, type StoppedRecord, writeStopped } from '../platform/versioned-words.ts'
import type { ProductContent, ProductVersion, VersionState, VersionWarning } from './words.ts'

export interface VersionKey {
  readonly product: string
  readonly version: number
}

/** A version as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface VersionRecord extends VersionKey, DraftRecord<VersionState>, StoppedRecord {
  readonly content: ProductContent
  readonly confirmedAt: number | null
  readonly confirmedBy: string | null
  readonly confirmedMeaning: string | null
  readonly effectiveFrom: number | null
  /** The house's rules version that its confirmation became. */
  readonly rulesVersion: number | null
}

/**
 * The answer of every act on a version and of every question for one.
 * @param isRuleSet whether a rule table belongs to a rule set of that key, be it a draft
 */
export function writeVersion(record: VersionRecord, isRuleSet: (ruleSet: string) => boolean): ProductVersion {
  const { createdAt, submittedAt, confirmedAt, effectiveFrom, authors, ...rest } = record
  return {
    ...rest,
    authors: [...authors],
    createdAt: writeInstant(createdAt),
    submittedAt: writeInstantOrNull(submittedAt),
    confirmedAt: writeInstantOrNull(confirmedAt),
    effectiveFrom: writeInstantOrNull(effectiveFrom),
    ...writeStopped(record),
    warnings: ruleSetWarnings(record.content, isRuleSet),
  }
}

/** Rules may be written later; but a slip in the name of a rule set leaves all plans of the product without its demands. */
function ruleSetWarnings({ ruleSets }: ProductContent, isRuleSet: (ruleSet: string) => boolean): VersionWarning[] {
  return ruleSets.flatMap((ruleSet, index) => {
    if (isRuleSet(ruleSet)) return []
    const detail = `No rule table belongs to a rule set ${ruleSet}, so that nothing of it is demanded.`
    return [{ pointer: `#/content/ruleSets/${index}`, code: 'rule-set-unknown' as const, detail }]
  })
}

/** How a sentence calls it. */
export function nameOf({ product, version }: VersionKey): string {
  return `version ${version} of ${product}`
}

export function versionNotFound({ product, version }: VersionKey): Problem {
  return new Problem('version-not-found', { detail: `There is no version ${version} of product ${product}.` })
}

export function productNotFound(product: string): Problem {
  return new Problem('product-not-found', { detail: `There is no product ${product}.` })
}
