/** A revision checked wholly, along all the time in which it may be used, as the rules were known at one version. */
import { type ConfirmedVersion, variantNames, versionInEffect } from '../products/versions.ts'
import type { Requirement } from '../rules/requirements.ts'
import { checkProduct } from './check-product.ts'
import { checkRuleSets, compareWithRules, type RulesAsked } from './check-rules.ts'
import { checkBonding, checkSilence, type Silence } from './coverage.ts'
import {
  type Finding,
  type Found,
  findingKey,
  found,
  joinPieces,
  type Piece,
  type RevisionCheckVerdict,
} from './findings.ts'
import type { PreparedGroup, PreparedRevision, PreparedStep } from './prepare.ts'
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
  const known = versions.filter(({ rulesVersion }) => rulesVersion <= timeline.knownVersion)
  const cited = known.find(({ version, digest }) => version === productVersion && digest === productDigest)
  if (!cited) {
    const facts = { productVersion: String(productVersion), productDigest }
    return withoutEnd(found({ severity: 'blocking', code: 'product-version-unconfirmed', facts }), from)
  }
  const variants = variantNames(cited.content)
  const check = pieceChecker(prepared, variants, timeline)
  let checkable = true
  const pieces: (Piece & { readonly editions: readonly string[] })[] = []
  const cuts = cutsAfter(from, timeline, known)
  cuts.forEach((at, index) => {
    const version = versionInEffect(known, at, timeline.knownVersion)
    const result = version
      ? check(at, version)
      : { checkable: false, editions: [], found: [found({ severity: 'blocking', code: 'product-not-in-effect' })] }
    checkable &&= result.checkable
    pieces.push({ from: at, until: cuts[index + 1] ?? null, found: result.found, editions: result.editions })
  })
  const findings = joinPieces(pieces)
  return {
    verdict: !checkable ? 'not-checkable' : findings.some(isBlocking) ? 'blocked' : 'conforms',
    findings,
    editions: pieces[0]?.editions ?? [],
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

function isBlocking({ severity }: Found): boolean {
  return severity === 'blocking'
}

function withoutEnd(one: Found, from: number): RevisionCheck {
  const findings = joinPieces([{ from, until: null, found: [one] }])
  return { verdict: 'not-checkable', findings, editions: [], applied: [{ from, until: null, editions: [] }] }
}

/** `from` and every later instant at which an edition or a product version takes effect. */
function cutsAfter(from: number, timeline: RuleTimeline, versions: readonly ConfirmedVersion[]): number[] {
  const instants = new Set([from])
  for (const at of timeline.instants) if (at > from) instants.add(at)
  for (const { effectiveFrom } of versions) if (effectiveFrom > from) instants.add(effectiveFrom)
  return [...instants].sort((a, b) => a - b)
}

function joinApplied(pieces: readonly (Piece & { readonly editions: readonly string[] })[]) {
  const joined: { from: number; until: number | null; editions: readonly string[] }[] = []
  for (const { from, until, editions } of pieces) {
    const last = joined.at(-1)
    if (last && last.editions.join(' ') === editions.join(' ')) last.until = until
    else joined.push({ from, until, editions })
  }
  return joined
}

interface PieceResult {
  readonly found: readonly Found[]
  readonly editions: readonly string[]
  readonly checkable: boolean
}

/**
 * So many findings of one instant are told; nobody mends more at once. Beyond them it is only asked whether anything
 * blocks, so that the check of a large plan which meets nothing stays as quick as that of one which meets all.
 */
const FINDINGS_MAX = 2_000

/** Checks at one instant. What depends on the product version alone, or on the same demands, is worked out once. */
function pieceChecker(prepared: PreparedRevision, variants: readonly string[], timeline: RuleTimeline) {
  const ofVersion = new Map<ConfirmedVersion, readonly Found[]>()
  const compare = rulesComparer()
  return (at: number, version: ConfirmedVersion): PieceResult => {
    const product = ofVersion.get(version) ?? checkProduct(prepared, { version, variants, timeline })
    ofVersion.set(version, product)
    const all: Found[] = [...prepared.openAbove, ...product]
    const editions = new Set<string>()
    let isBlocked = all.some(isBlocking)
    let isLeftOut = false
    const ask = (holder: PreparedGroup | PreparedRevision, demanded: readonly Requirement[], asked: RulesAsked) => {
      for (const { table, edition } of demanded) editions.add(`${table}/${edition}`)
      const isFull = all.length >= FINDINGS_MAX
      isLeftOut ||= isFull && demanded.length > 0
      if (isFull && isBlocked) return
      for (const one of compare(holder, demanded, asked, { onlyBlocking: isFull })) {
        if (isFull && !isBlocking(one)) continue
        all.push(one)
        isBlocked ||= isBlocking(one)
      }
    }
    const named = variantNames(version.content)
    const known = variants.filter((variant) => named.includes(variant))
    const silences = new Map<PreparedStep, Silence[]>()
    for (const variant of known) {
      const ofPlan = timeline.requirementsAt(at, { subject: 'plan', version, variant, step: {} })
      ask(prepared, ofPlan, { variant, accepted: prepared.acceptedByPlan, step: undefined, measurements: [] })
      for (const preparedStep of prepared.steps) {
        const { step, groups } = preparedStep
        for (const group of groups) {
          const { attributes, measurements } = group
          const ofStep = timeline.requirementsAt(at, { subject: step.kind, version, variant, step: attributes })
          if (ofStep.length === 0) {
            const silent = silences.get(preparedStep) ?? []
            silences.set(preparedStep, silent)
            for (const measurement of measurements) silent.push({ measurement, variant })
          }
          ask(group, ofStep, {
            variant,
            accepted: group.accepted(variant),
            step: step.step,
            measurements,
            unitOf: group.unitOf,
          })
        }
      }
    }
    const unreadable = timeline.unreadableAt(at)
    for (const { table, edition } of unreadable) {
      all.push(found({ severity: 'blocking', code: 'edition-not-readable', table, edition }))
    }
    // An edition that cannot be read does not say which rule set it is of, nor what it speaks of.
    if (unreadable.length === 0) {
      all.push(...checkRuleSets(timeline, version, at))
      for (const [{ step }, silent] of silences) all.push(...checkSilence(step, silent, known.length))
    }
    if (isLeftOut) {
      all.push(found({ severity: 'warning', code: 'findings-left-out', facts: { told: String(FINDINGS_MAX) } }))
    }
    const subjects = known.map((variant) => timeline.subjectOf(version, variant))
    const earthedParts = version.content.attributes.earthedParts ?? []
    all.push(...checkBonding(prepared.bonded, { subjects, earthedParts, found: all }))
    return { found: collapse(all, prepared.steps), editions: [...editions].sort(), checkable: unreadable.length === 0 }
  }
}

/** Compares with the rules, and again only where the demands are others than the last time. */
function rulesComparer() {
  const last = new Map<PreparedGroup | PreparedRevision, Map<string, RulesFound>>()
  return (
    holder: PreparedGroup | PreparedRevision,
    requirements: readonly Requirement[],
    asked: RulesAsked,
    options: { readonly onlyBlocking: boolean },
  ): readonly Found[] => {
    if (requirements.length === 0) return []
    if (options.onlyBlocking) return compareWithRules(requirements, asked, options)
    const byVariant = last.get(holder) ?? new Map<string, RulesFound>()
    last.set(holder, byVariant)
    const before = byVariant.get(asked.variant)
    if (before?.requirements === requirements) return before.found
    const fresh = compareWithRules(requirements, asked, options)
    byVariant.set(asked.variant, { requirements, found: fresh })
    return fresh
  }
}

interface RulesFound {
  readonly requirements: readonly Requirement[]
  readonly found: readonly Found[]
}

/** What is found alike for every measurement of a step is said once, of the step. */
function collapse(findings: readonly Found[], steps: readonly PreparedStep[]): readonly Found[] {
  if (findings.length === 0) return findings
  const counts = new Map(steps.map(({ step, settings }) => [step.step, settings.length]))
  const alike = new Map<string, Found[]>()
  for (const finding of findings) {
    const key = findingKey({ ...finding, measurement: null })
    const list = alike.get(key)
    if (list) list.push(finding)
    else alike.set(key, [finding])
  }
  return [...alike.values()].flatMap((list) => {
    const [first] = list
    if (!first || first.measurement === null || list.length < (counts.get(first.step ?? '') ?? 0)) return list
    return [{ ...first, measurement: null }]
  })
}
