/** What the rules demand of a step for every variant, at every instant from the proposal's beginning on. */
import type { RuleTimeline, StepAttributes } from '../plans/rule-timeline.ts'
import { type ConfirmedVersion, variantNames, versionInEffect } from '../products/versions.ts'
import type { Unresolved } from '../rules/requirements.ts'
import type { StepKind, Subject } from '../rules/words.ts'
import type { Demanded } from './choose.ts'
import { byRule, type Why } from './said.ts'
import { usualOrder } from './wanted.ts'

export interface Rules {
  readonly timeline: RuleTimeline
  /** Instants at which something changes, the proposal's beginning first, with the product version in effect then. */
  readonly moments: readonly { readonly at: number; readonly version: ConfirmedVersion }[]
  readonly variants: readonly string[]
}

/** The same instants at which a check cuts time. */
export function momentsOf(
  timeline: RuleTimeline,
  versions: readonly ConfirmedVersion[],
  from: number,
): Rules['moments'] {
  const later = [...timeline.instants, ...versions.map(({ effectiveFrom }) => effectiveFrom)].filter((at) => at > from)
  return [from, ...new Set(later)]
    .sort((a, b) => a - b)
    .flatMap((at) => {
      const version = versionInEffect(versions, at, timeline.knownVersion)
      return version ? [{ at, version }] : []
    })
}

export interface DemandedOf {
  readonly demanded: readonly Demanded[]
  /** Tables that apply and leave open what they demand, whatever the plan says. */
  readonly unresolved: readonly Unresolved[]
}

export function demandedOf({ timeline, moments, variants }: Rules, subject: Subject, step: StepAttributes): DemandedOf {
  const demanded: Demanded[] = []
  const unresolved: Unresolved[] = []
  const seen = new Set<object>()
  for (const { at, version } of moments) {
    const named = variantNames(version.content)
    for (const variant of variants) {
      if (!named.includes(variant)) continue
      for (const requirement of timeline.inEffectAt(at, version).requirements({ subject, version, variant, step })) {
        if (seen.has(requirement)) continue
        seen.add(requirement)
        if (requirement.kind === 'unresolved') {
          if (!unresolved.some((one) => one.table === requirement.table && one.code === requirement.code))
            unresolved.push(requirement)
        } else if (requirement.rows.length > 0) demanded.push({ ...requirement, variant })
      }
    }
  }
  return { demanded, unresolved }
}

/** Kinds that rules want present. Of several that would do, one that is wanted anyhow, else the first of the usual order. */
export function demandedKinds(rules: Rules): {
  readonly kinds: Map<StepKind, Why>
  readonly unresolved: readonly Unresolved[]
} {
  const { demanded, unresolved } = demandedOf(rules, 'plan', {})
  const kinds = new Map<StepKind, Why>()
  const asked = demanded.map((one) => ({ one, options: one.rows.map((row) => row.demands) }))
  // Where there is no choice first, so that a choice later can fall on what is there.
  asked.sort((a, b) => choices(a.options) - choices(b.options))
  for (const { one, options } of asked) {
    const isThere = options.some((demands) =>
      demands.every((demand) => demand.kind === 'kinds' && demand.kinds.some((kind) => kinds.has(kind))),
    )
    const [row] = one.rows
    if (isThere || !row) continue
    for (const demand of row.demands) {
      if (demand.kind !== 'kinds' || demand.kinds.some((kind) => kinds.has(kind))) continue
      const kind = usualOrder.find((usual) => demand.kinds.includes(usual))
      const [source] = row.row.sources
      const rule = {
        table: one.table,
        edition: one.edition,
        row: row.row.row,
        document: source?.document ?? null,
        documentEdition: source?.documentEdition ?? null,
        clause: source?.clause ?? null,
      }
      const origin = { rule, demands: `that one of ${demand.kinds.join(', ')} is present`, instead: '' }
      if (kind) kinds.set(kind, byRule({ origin }))
    }
  }
  return { kinds, unresolved }
}

function choices(
  options: readonly (readonly { readonly kind: string; readonly kinds?: readonly StepKind[] }[])[],
): number {
  return options.reduce(
    (count, demands) => count + demands.reduce((sum, { kinds }) => sum + (kinds?.length ?? 0), 0),
    0,
  )
}

/** Kinds of step that some table in effect demands anything of for this product, whatever else the step states. */
export function kindsSpokenOf(rules: Rules, candidates: (kind: StepKind) => readonly StepAttributes[]): Set<StepKind> {
  return new Set(
    usualOrder.filter((kind) =>
      candidates(kind).some((step) =>
        demandedOf(rules, kind, step).demanded.some(({ rows }) =>
          rows.some(({ demands }) => demands.some(({ parameter }) => parameter !== 'precedes')),
        ),
      ),
    ),
  )
}
