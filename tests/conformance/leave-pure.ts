import { expect } from 'vitest'
import { departuresOf, relaxationsOf } from '../../src/concessions/departures.ts'
import { type Decided, underPermits } from '../../src/intake/decided.ts'
import { grantUses } from '../../src/intake/permit-uses.ts'
import type { Decision } from '../../src/judging/decide.ts'
import type { PermitFact } from '../../src/judging/permits.ts'
import { checkPrepared } from '../../src/plans/check.ts'
import { demandedFrom } from '../../src/plans/findings.ts'
import { prepareRevision } from '../../src/plans/prepare.ts'
import { type Relaxation, relaxedContent } from '../../src/plans/relax.ts'
import type { RuleTimeline } from '../../src/plans/rule-timeline.ts'
import type { PlanContent } from '../../src/plans/words.ts'
import { type ConfirmedVersion, variantNames } from '../../src/products/versions.ts'
import type { UnitHistory } from '../../src/units/reads.ts'
import type { ConcessionCase } from './case.ts'
import type { Scene } from './scene.ts'

interface Ruled {
  readonly content: PlanContent
  readonly timeline: RuleTimeline
  readonly product: ConfirmedVersion
}

/** Whether rules in effect would let the revision have these limits. */
function isWithinRules({ content, timeline, product }: Ruled, relaxations: readonly Relaxation[], at: number): boolean {
  const read = prepareRevision(relaxedContent(content, relaxations, variantNames(product.content)))
  if ('refused' in read) throw new Error(read.refused)
  const { findings } = checkPrepared(read.prepared, { versions: [product], timeline, from: at })
  return demandedFrom(findings, at) !== at
}

const rulesOf = new WeakMap<Scene, Ruled>()

/** The permits of a case that rules do not refuse, as facts of its revision. */
export function permitFacts(scene: Scene, ruled: Ruled): PermitFact[] {
  rulesOf.set(scene, ruled)
  return scene.given.permits.flatMap(({ permit, at, step, member, value, validUntil, refused }) => {
    const relaxation = { step, measurement: null, member, value, variants: null }
    const from = scene.at(at) + 1
    const isGiven = isWithinRules(ruled, [relaxation], from)
    expect(isGiven ? undefined : 'beyond-rules', permit).toBe(refused)
    return isGiven ? [{ permit, relaxation, from, until: scene.at(validUntil), blocks: [] }] : []
  })
}

/** Uses of permits along the day. */
export interface UsesLeft {
  readonly left: Map<string, number>
  readonly used: Set<string>
  taken(permit: string): number
}

export function usesOf({ given }: Scene): UsesLeft {
  const used = new Set<string>()
  return {
    left: new Map(given.permits.map(({ permit, quantity }) => [permit, quantity])),
    used,
    taken: (permit) => [...used].filter((name) => name.startsWith(`${permit}\n`)).length,
  }
}

/** What the lane does where a run needs a permit. */
export function useLeave({ product }: Scene, uses: UsesLeft, decided: Decided): Decided {
  const under = underPermits(decided)
  if (under === undefined || decided.serial === null) return decided
  const use = { product, serial: decided.serial, runId: '', permits: under.permits }
  const { granted, taken } = grantUses([use], uses)
  for (const { permit, serial } of taken) {
    uses.used.add(`${permit}\n${product}\n${serial}`)
    uses.left.set(permit, (uses.left.get(permit) ?? 0) - 1)
  }
  return granted[0] === true ? under.decided : decided
}

/** Asks for leave and gives it, as far as it can be given. */
export function concede(
  scene: Scene,
  { concession, of, at, isAlone, refused }: ConcessionCase,
  house: {
    readonly decisions: ReadonlyMap<string, { readonly decision: Decision; readonly serial: string }>
    readonly histories: ReadonlyMap<string, UnitHistory>
  },
): void {
  const known = house.decisions.get(of)
  const ruled = rulesOf.get(scene)
  if (known === undefined || ruled === undefined) throw new Error(`there is no run ${of}`)
  const { decision, serial } = known
  const found =
    decision.outcome === 'accepted' && decision.verdict === 'fail' && decision.judgement !== null
      ? departuresOf(decision.judgement.steps)
      : { refused: 'it did not fail' }
  const because =
    'refused' in found
      ? 'state-conflict'
      : isAlone
        ? 'two-people-required'
        : isWithinRules(ruled, relaxationsOf(found.departures), scene.at(at))
          ? undefined
          : 'beyond-rules'
  expect(because, concession).toBe(refused)
  if (because !== undefined) return
  const attempts = house.histories.get(serial)?.attempts ?? []
  const index = attempts.findLastIndex(({ verdict }) => verdict === 'fail')
  const attempt = attempts[index]
  if (attempt !== undefined) attempts[index] = { ...attempt, concession: `${scene.given.case}-${concession}` }
}
