/** In which sequence steps stand, and which must have ended before each. */
import type { StepKind } from '../rules/words.ts'
import type { Box } from './bounds.ts'
import { byDefault, byRule, type Said, type Why } from './said.ts'
import { usualOrder, type Wanted } from './wanted.ts'

/** A step that must have ended before all of a later kind. */
interface Before {
  readonly earlier: StepKind
  readonly later: StepKind
  readonly why: Why
}

export interface Ordered<Step> {
  readonly steps: readonly Step[]
  /** The `after` of each step, by its key. */
  readonly after: ReadonlyMap<string, Said<readonly string[]>>
  /** What cannot be had, since it would go in a circle. */
  readonly circles: readonly Before[]
}

/**
 * What rules demand comes first; then bonding before the others where a product has it, since over a broken protective
 * conductor they say nothing and put voltage on parts that are touched.
 */
export function orderSteps<Step extends { readonly wanted: Wanted; readonly box: Box }>(
  steps: readonly Step[],
): Ordered<Step> {
  const kinds = usualOrder.filter((kind) => steps.some(({ wanted }) => wanted.kind === kind))
  const kept: Before[] = []
  const circles: Before[] = []
  for (const before of [...demandedBefore(steps, kinds), ...usuallyBefore(kinds)]) {
    if (kept.some(({ earlier, later }) => earlier === before.earlier && later === before.later)) continue
    if (leadsTo(kept, before.later, before.earlier)) circles.push(before)
    else kept.push(before)
  }
  const ordered = inSequence(kinds, kept).flatMap((kind) => steps.filter(({ wanted }) => wanted.kind === kind))
  const after = new Map<string, Said<readonly string[]>>()
  for (const { wanted } of ordered) {
    const causes = kept.filter(({ later }) => later === wanted.kind)
    const value: string[] = []
    const why: { pointer: string; value: string; why: Why }[] = []
    for (const { earlier, why: because } of causes) {
      for (const { wanted: one } of ordered) {
        if (one.kind !== earlier) continue
        why.push({ pointer: `/${value.length}`, value: one.step, why: because })
        value.push(one.step)
      }
    }
    after.set(wanted.step, { value, why })
  }
  return { steps: ordered, after, circles: circles.filter(({ why }) => why.source === 'rule') }
}

function demandedBefore(
  steps: readonly { readonly wanted: Wanted; readonly box: Box }[],
  kinds: readonly StepKind[],
): Before[] {
  return steps.flatMap(({ wanted, box }) =>
    [...box.precedes]
      .filter(([later]) => kinds.includes(later))
      .map(([later, origin]) => ({ earlier: wanted.kind, later, why: byRule({ origin }) })),
  )
}

function usuallyBefore(kinds: readonly StepKind[]): Before[] {
  const why = byDefault(
    'The protective path is proven first: over a broken one the others say nothing, and put voltage on parts that are touched.',
  )
  if (!kinds.includes('protective-bonding')) return []
  return kinds
    .filter((kind) => kind !== 'protective-bonding' && kind !== 'inspection' && kind !== 'protective-continuity')
    .map((later) => ({ earlier: 'protective-bonding', later, why }))
}

function leadsTo(kept: readonly Before[], from: StepKind, to: StepKind): boolean {
  const reached = new Set([from])
  for (const kind of reached) {
    if (kind === to) return true
    for (const { earlier, later } of kept) if (earlier === kind) reached.add(later)
  }
  return false
}

/** The usual sequence, as far as what must come before lets it. */
function inSequence(kinds: readonly StepKind[], kept: readonly Before[]): StepKind[] {
  const sequence: StepKind[] = []
  const waiting = new Set(kinds)
  while (waiting.size > 0) {
    const next = [...waiting].find((kind) =>
      kept.every(({ earlier, later }) => later !== kind || !waiting.has(earlier)),
    )
    if (next === undefined) throw new TypeError('an order in a circle was kept')
    waiting.delete(next)
    sequence.push(next)
  }
  return sequence
}
