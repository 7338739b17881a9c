import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { writeFinding } from '../plans/findings.ts'
import type { ReachedKey } from '../plans/impact-checks.ts'
import { figuresOf, type ImpactFigures, type ImpactRecord, impactFailures } from '../rules/impacts.ts'
import type { Impact, ImpactFinding, ImpactKind } from './words.ts'

/** So many findings are told of one revision; nobody reads more of a rule that does not fit. */
const FINDINGS_MAX = 20

function kindOf({ kind, permit }: ReachedKey): ImpactKind {
  return permit === null ? `revision-${kind}` : 'permit-beyond'
}

/** What was found, as it is stored and answered. `ordinal` counts from 1 within the impact. */
export function impactFinding(reached: ReachedKey, ordinal: number): ImpactFinding {
  const { plan, revision, product, permit, from, until, findings } = reached
  return {
    ordinal,
    kind: kindOf(reached),
    plan,
    revision,
    product,
    permit,
    from: writeInstant(from),
    until: writeInstantOrNull(until),
    findingsTotal: findings.length,
    findings: findings.slice(0, FINDINGS_MAX).map(writeFinding),
  }
}

/** How many findings an impact holds. */
export function foundCount(figures: ImpactFigures): number {
  const { revisionsBlocked, revisionsUnapprovable, revisionsUncheckable, permitsBeyond } = figures
  return revisionsBlocked + revisionsUnapprovable + revisionsUncheckable + permitsBeyond
}

const FIGURE_OF = {
  'revision-blocked': 'revisionsBlocked',
  'revision-unapprovable': 'revisionsUnapprovable',
  'revision-uncheckable': 'revisionsUncheckable',
  'permit-beyond': 'permitsBeyond',
} as const satisfies Record<ImpactKind, keyof ImpactFigures>

/** The figures with these findings counted in. */
export function countedIn(record: ImpactFigures, findings: readonly ImpactFinding[]): ImpactFigures {
  const figures = { ...figuresOf(record) }
  for (const { kind } of findings) figures[FIGURE_OF[kind]] += 1
  return figures
}

/** An impact as it is answered, but for its findings. */
export type ImpactAlone = Omit<Impact, 'findings'>

/** @param rulesVersion the house's, now */
export function writeImpact(record: ImpactRecord, rulesVersion: number): ImpactAlone {
  const { impact, table, edition, digest, bindsBecause, state, failure, study } = record
  return {
    impact,
    table,
    edition,
    digest,
    effectiveFrom: writeInstantOrNull(record.effectiveFrom),
    bindsBecause,
    rulesVersion: record.rulesVersion,
    current: record.rulesVersion === rulesVersion,
    state,
    failure: failure && impactFailures[failure],
    study,
    revisionsTotal: record.revisionsTotal,
    revisionsChecked: record.revisionsChecked,
    ...figuresOf(record),
    askedAt: writeInstant(record.askedAt),
    askedBy: record.askedBy,
    endedAt: writeInstantOrNull(record.endedAt),
  }
}
