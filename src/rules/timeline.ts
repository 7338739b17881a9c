import { type Cancelled, isKnownAt } from '../platform/versioned.ts'

/** One published edition of a table. Instants are milliseconds since the epoch; versions are rules versions. */
export interface Publication {
  readonly table: string
  readonly edition: number
  readonly effectiveFrom: number
  readonly rulesVersion: number
  readonly publishedAt: number
  readonly bindsBecause?: string | undefined
  /** Where it was taken back before it took effect. */
  readonly cancelled?: Cancelled | undefined
}

/**
 * The edition of each table in effect at `at`, as known at rules version `knownVersion`: the one that took effect last.
 * An edition takes effect at its instant, inclusive, and lasts until another of the same table takes effect; of two at
 * the same instant the one published later counts. Later publications and cancellations are not known, so an old check
 * can be repeated.
 */
export function editionsInEffect<P extends Publication>(
  publications: Iterable<P>,
  at: number,
  knownVersion: number,
): Map<string, P> {
  const inEffect = new Map<string, P>()
  for (const publication of publications) {
    if (!isKnownAt(publication, knownVersion) || publication.effectiveFrom > at) continue
    const other = inEffect.get(publication.table)
    if (!other || supersedes(publication, other)) inEffect.set(publication.table, publication)
  }
  return inEffect
}

function supersedes(publication: Publication, other: Publication): boolean {
  if (publication.effectiveFrom !== other.effectiveFrom) return publication.effectiveFrom > other.effectiveFrom
  return publication.rulesVersion > other.rulesVersion
}
