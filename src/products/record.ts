import { writeInstant } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import type { ProductContent, ProductVersion, VersionState } from './words.ts'

/** A version as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface VersionRecord {
  readonly product: string
  readonly version: number
  readonly state: VersionState
  readonly digest: string
  readonly content: ProductContent
  readonly changeReason: string | null
  readonly authors: readonly string[]
  readonly createdAt: number
  readonly submittedAt: number | null
  readonly submittedBy: string | null
  readonly confirmedAt: number | null
  readonly confirmedBy: string | null
  readonly confirmedMeaning: string | null
  readonly effectiveFrom: number | null
  /** The house's rules version that its confirmation became. */
  readonly publishedVersion: number | null
}

/** The answer of every act on a version and of every question for one. */
export function writeVersion(record: VersionRecord): ProductVersion {
  const { createdAt, submittedAt, confirmedAt, effectiveFrom, publishedVersion, authors, ...rest } = record
  return {
    ...rest,
    authors: [...authors],
    createdAt: writeInstant(createdAt),
    submittedAt: instantOrNull(submittedAt),
    confirmedAt: instantOrNull(confirmedAt),
    effectiveFrom: instantOrNull(effectiveFrom),
    rulesVersion: publishedVersion,
  }
}

function instantOrNull(at: number | null): string | null {
  return at === null ? null : writeInstant(at)
}

export function versionNotFound(product: string, version: number): Problem {
  return new Problem('version-not-found', { detail: `There is no version ${version} of product ${product}.` })
}

export function productNotFound(product: string): Problem {
  return new Problem('product-not-found', { detail: `There is no product ${product}.` })
}
