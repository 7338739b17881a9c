/** A plan checked at one instant: what its settings, the product and the rules in effect make of each other. */
import { type ConfirmedVersion, variantNames } from '../products/versions.ts'
import type { Requirement } from '../rules/requirements.ts'
import { checkProduct } from './check-product.ts'
import { checkRuleSets, compareWithRules, type RulesAsked } from './check-rules.ts'
import { checkBonding, checkSilence, type Silence } from './coverage.ts'
import { type Found, findingKey, found, isBlocking } from './findings.ts'
import type { PreparedGroup, PreparedStep, PreparedSteps } from './prepare.ts'
import { remember } from './remember.ts'
import type { InEffect, RuleTimeline } from './rule-timeline.ts'

export interface PieceResult {
  readonly found: readonly Found[]
  /** The editions that were asked, as table/edition, in order. */
  readonly editions: readonly string[]
  readonly checkable: boolean
}

export interface PieceAsked {
  readonly at: number
  /** The product version in effect at the instant. */
  readonly version: ConfirmedVersion
  /** The variants of the version that the plan cites. */
  readonly variants: readonly string[]
  readonly timeline: RuleTimeline
}

/**
 * So many findings of one instant are told; nobody mends more at once. Beyond them it is only asked whether anything
 * blocks, so that the check of a large plan which meets nothing stays as quick as that of one which meets all.
 */
const FINDINGS_MAX = 2_000

/**
 * What has been found of steps with one product version in effect. It holds for all plans that consist of these steps,
 * and wherever the same editions are in effect again: after a publication only what it changes is worked out.
 */
interface Memory {
  readonly product: readonly Found[]
  readonly pieces: Map<InEffect, PieceResult>
}

/** Results remembered of the same steps and product version; where there are more, all are worked out anew. */
const PIECES_MAX = 500

const memories = new WeakMap<PreparedSteps, WeakMap<ConfirmedVersion, Map<string, Memory>>>()

/** Checks at one instant. While the same editions are in effect, the result is the same object. */
export function checkPiece(planned: PreparedSteps, asked: PieceAsked): PieceResult {
  const { at, version, variants, timeline } = asked
  const ofVersion = remember(memories, planned, () => new WeakMap<ConfirmedVersion, Map<string, Memory>>())
  const ofVariants = remember(ofVersion, version, () => new Map<string, Memory>())
  const { product, pieces } = remember(ofVariants, variants.join(' '), () => ({
    product: checkProduct(planned, asked),
    pieces: new Map<InEffect, PieceResult>(),
  }))
  const inEffect = timeline.inEffectAt(at, version)
  if (pieces.size >= PIECES_MAX) pieces.clear()
  return remember(pieces, inEffect, () => workOut(planned, asked, { product, inEffect }))
}

function workOut(
  planned: PreparedSteps,
  { version, variants, timeline }: PieceAsked,
  { product, inEffect }: { readonly product: readonly Found[]; readonly inEffect: InEffect },
): PieceResult {
  const all: Found[] = [...planned.openAbove, ...product]
  const editions = new Set<string>()
  let isBlocked = all.some(isBlocking)
  let isLeftOut = false
  const ask = (holder: PreparedGroup | PreparedSteps, demanded: readonly Requirement[], asked: RulesAsked) => {
    for (const name of namesOf(demanded)) editions.add(name)
    const isFull = all.length >= FINDINGS_MAX
    isLeftOut ||= isFull && demanded.length > 0
    if (isFull && isBlocked) return
    for (const one of compareOrRecall(holder, demanded, asked, { onlyBlocking: isFull })) {
      if (isFull && !isBlocking(one)) continue
      all.push(one)
      isBlocked ||= isBlocking(one)
    }
  }
  const named = variantNames(version.content)
  const known = variants.filter((variant) => named.includes(variant))
  const silences = new Map<PreparedStep, Silence[]>()
  for (const variant of known) {
    const ofPlan = inEffect.requirements({ subject: 'plan', version, variant, step: {} })
    ask(planned, ofPlan, { variant, accepted: planned.acceptedByPlan, step: undefined, measurements: [] })
    for (const preparedStep of planned.steps) {
      const { step, groups } = preparedStep
      for (const group of groups) {
        const { attributes, measurements } = group
        const ofStep = inEffect.requirements({ subject: step.kind, version, variant, step: attributes })
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
  const { unreadable } = inEffect
  for (const { table, edition } of unreadable) {
    all.push(found({ severity: 'blocking', code: 'edition-not-readable', table, edition }))
  }
  // An edition that cannot be read does not say which rule set it is of, nor what it speaks of.
  if (unreadable.length === 0) {
    all.push(...checkRuleSets(inEffect, version))
    for (const [{ step }, silent] of silences) all.push(...checkSilence(step, silent, known.length))
  }
  if (isLeftOut) {
    all.push(found({ severity: 'warning', code: 'findings-left-out', facts: { told: String(FINDINGS_MAX) } }))
  }
  const subjects = known.map((variant) => timeline.subjectOf(version, variant))
  const earthedParts = version.content.attributes.earthedParts ?? []
  all.push(...checkBonding(planned.bonded, { subjects, earthedParts, found: all }))
  return {
    found: collapse(all, planned.steps),
    editions: share(inEffect, [...editions].sort()),
    checkable: unreadable.length === 0,
  }
}

const names = new WeakMap<readonly Requirement[], readonly string[]>()

/** The editions, as table/edition. */
function namesOf(demanded: readonly Requirement[]): readonly string[] {
  return remember(names, demanded, () => demanded.map(({ table, edition }) => `${table}/${edition}`))
}

interface RulesFound {
  readonly requirements: readonly Requirement[]
  readonly found: readonly Found[]
}

/** What was found last of a step's group, or of a plan as a whole, by variant. */
const lastFound = new WeakMap<PreparedGroup | PreparedSteps, Map<string, RulesFound>>()

const nothing: readonly Found[] = []

/** Compares with the rules, and again only where the demands are others than the last time. */
function compareOrRecall(
  holder: PreparedGroup | PreparedSteps,
  requirements: readonly Requirement[],
  asked: RulesAsked,
  options: { readonly onlyBlocking: boolean },
): readonly Found[] {
  if (requirements.length === 0) return nothing
  if (options.onlyBlocking) return compareWithRules(requirements, asked, options)
  const byVariant = remember(lastFound, holder, () => new Map<string, RulesFound>())
  const before = byVariant.get(asked.variant)
  if (before?.requirements === requirements) return before.found
  const fresh = compareWithRules(requirements, asked, options)
  byVariant.set(asked.variant, { requirements, found: fresh.length === 0 ? nothing : fresh })
  return fresh
}

const listsOf = new WeakMap<InEffect, Map<string, readonly string[]>>()

/** One array for the same editions: plans of the same steps for many products ask the same ones. */
function share(inEffect: InEffect, editions: readonly string[]): readonly string[] {
  const lists = remember(listsOf, inEffect, () => new Map<string, readonly string[]>())
  return remember(lists, editions.join(' '), () => editions)
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
