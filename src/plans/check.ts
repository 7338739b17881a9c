/** A revision checked wholly, along all the time in which it may be used, as the rules were known at one version. */
import { isKnownAt } from '../platform/versioned.ts'
import { type ConfirmedVersion, variantNames, versionInEffect } from '../products/versions.ts'
import { checkPiece, type PieceResult } from './check-piece.ts'
import { type Finding, type Found, found, isBlocking, joinPieces, type RevisionCheckVerdict } from './findings.ts'
import type { PreparedRevision } from './prepare.ts'
import type { RuleTimeline } from './rule-timeline.ts'

export interface RevisionCheck {
  /** `blocked` where a finding blocks at any time from `from` on. */
  readonly verdict: RevisionCheckVerdict
  readonly findings: readonly Finding[]
  /** The editions, as table/edition, that applied at `from`. */
  readonly editions: readonly string[]
  /** The editions that apply, interval by interval. */
  readonly applied: readonly {
    readonly from: number
    readonly until: number | null
    readonly editions: readonly string[]
  }[]
}

/** The check of content that can no longer be read: blocked, not assumed good. */
export function notReadable(because: string, from: number): RevisionCheck {
  return withoutEnd(found({ severity: 'blocking', code: 'content-not-readable', facts: { because } }), from)
}

/** Checks a revision from an instant on. Many that are checked at one version share its timeline. */
export function checkPrepared(
  prepared: PreparedRevision,
  {
    versions,
    timeline,
    from,
  }: { readonly versions: readonly ConfirmedVersion[]; readonly timeline: RuleTimeline; readonly from: number },
): RevisionCheck {
  const { productVersion, productDigest } = prepared.content
  const known = versions.filter((version) => isKnownAt(version, timeline.knownVersion))
  const cited = known.find(({ version, digest }) => version === productVersion && digest === productDigest)
  if (!cited) {
    const facts = { productVersion: String(productVersion), productDigest }
    return withoutEnd(found({ severity: 'blocking', code: 'product-version-unconfirmed', facts }), from)
  }
  const variants = variantNames(cited.content)
  const pieces: PieceInTime[] = []
  const cuts = cutsAfter(from, timeline, known)
  cuts.forEach((at, index) => {
    const version = versionInEffect(known, at, timeline.knownVersion)
    const result = version ? checkPiece(prepared.planned, { at, version, variants, timeline }) : notInEffect
    const until = cuts[index + 1] ?? null
    const last = pieces.at(-1)
    if (last?.result === result) last.until = until
    else pieces.push({ from: at, until, found: result.found, result })
  })
  const checkable = pieces.every(({ result }) => result.checkable)
  const findings = joinPieces(pieces)
  return {
    verdict: !checkable ? 'not-checkable' : findings.some(isBlocking) ? 'blocked' : 'conforms',
    findings,
    editions: pieces[0]?.result.editions ?? [],
    applied: joinApplied(pieces),
  }
}

/**
 * The same check begun at a later instant; undefined where that cannot be said of it, since something changes after
 * `from` and up to then.
 */
export function begunLater(check: RevisionCheck, from: number, at: number): RevisionCheck | undefined {
  const isPassed = (edge: number | null) => edge !== null && edge > from && edge <= at
  const { findings, applied } = check
  if (at < from || [...findings, ...applied].some((one) => isPassed(one.from) || isPassed(one.until))) return undefined
  const later = <One extends { readonly from: number }>(one: One): One => ({ ...one, from: Math.max(one.from, at) })
  return { ...check, findings: findings.map(later), applied: applied.map(later) }
}

/** What was found between two instants. */
interface PieceInTime {
  readonly from: number
  until: number | null
  readonly found: readonly Found[]
  readonly result: PieceResult
}

const notInEffect: PieceResult = {
  checkable: false,
  editions: [],
  found: [found({ severity: 'blocking', code: 'product-not-in-effect' })],
}

function withoutEnd(one: Found, from: number): RevisionCheck {
  const findings = joinPieces([{ from, until: null, found: [one] }])
  return { verdict: 'not-checkable', findings, editions: [], applied: [{ from, until: null, editions: [] }] }
}

/** `from` and every later instant at which an edition or a product version takes effect. */
function cutsAfter(from: number, { instants }: RuleTimeline, versions: readonly ConfirmedVersion[]): number[] {
  const cuts = [from]
  // The instants ascend and most have passed.
  let later = instants.length
  while (later > 0 && (instants[later - 1] ?? from) > from) later -= 1
  for (; later < instants.length; later += 1) cuts.push(instants[later] ?? from)
  const ofRules = cuts.length
  for (const { effectiveFrom } of versions) {
    if (effectiveFrom > from && !cuts.includes(effectiveFrom)) cuts.push(effectiveFrom)
  }
  return cuts.length === ofRules ? cuts : cuts.sort((a, b) => a - b)
}

function joinApplied(pieces: readonly PieceInTime[]) {
  const joined: { from: number; until: number | null; editions: readonly string[] }[] = []
  for (const { from, until, result } of pieces) {
    const { editions } = result
    const last = joined.at(-1)
    if (last && isSame(last.editions, editions)) last.until = until
    else joined.push({ from, until, editions })
  }
  return joined
}

function isSame(some: readonly string[], others: readonly string[]): boolean {
  return some === others || (some.length === others.length && some.every((one, index) => one === others[index]))
}
