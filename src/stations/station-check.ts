import type { StepKind } from '../rules/words.ts'
import { isKnown, type Recorded } from './knowledge.ts'

/** What a reference unit showed at one kind of step, beside what it is known to show. */
export interface CheckResult {
  readonly referenceUnit: string
  readonly kind: StepKind
  readonly expected: 'pass' | 'fail'
  readonly found: 'pass' | 'fail'
}

/** One verification of a station with reference units. */
export interface StationCheck extends Recorded {
  readonly stationCheck: string
  /** Milliseconds since the epoch. */
  readonly at: number
  readonly results: readonly CheckResult[]
}

/** What is asked of a station: which kinds of step are to be checked, and how long a good check holds. */
export interface CheckDemand {
  readonly kinds: readonly StepKind[]
  /** Milliseconds. */
  readonly validFor: number
}

/**
 * What a check says of one kind. It failed where any unit showed other than what it is known for; a fault that passes
 * is the worst of these. It is good only where a known-pass passed and a known-fail failed, since a station that passes
 * everything passes the known-pass too. Undefined where it says neither.
 */
export function checkSays({ results }: StationCheck, kind: StepKind): 'good' | 'failed' | undefined {
  const own = results.filter((result) => result.kind === kind)
  if (own.some(({ expected, found }) => expected !== found)) return 'failed'
  const isShown = (expected: 'pass' | 'fail') => own.some((result) => result.expected === expected)
  return isShown('pass') && isShown('fail') ? 'good' : undefined
}

/** How one kind of step stood checked at an instant. */
export type CheckState =
  | { readonly state: 'checked'; readonly since: number /** First instant without it. */; readonly dueAt: number }
  | {
      readonly state: 'missing' /** First instant without it; undefined where there was none. */
      readonly dueAt?: number
    }
  | { readonly state: 'locked'; readonly since: number }

/**
 * The state of one kind at `at` (milliseconds since the epoch). The last check that says anything of the kind counts,
 * from its own instant on: a failed one locks until the next good one, however long. Of two at one instant a failed one
 * counts, since one person is enough to stop anything. `checks` are those of the station, in any order.
 */
export function checkStateAt(
  checks: readonly StationCheck[],
  kind: StepKind,
  validFor: number,
  at: number,
  knownBy?: number,
): CheckState {
  let last: number | undefined
  let isFailed = false
  for (const check of checks) {
    const says = checkSays(check, kind)
    if (says === undefined || check.at > at || !isKnown(check, knownBy)) continue
    if (last === undefined || check.at > last) isFailed = says === 'failed'
    else if (check.at === last) isFailed ||= says === 'failed'
    else continue
    last = check.at
  }
  if (last === undefined) return { state: 'missing' }
  if (isFailed) return { state: 'locked', since: last }
  const dueAt = last + validFor
  return at < dueAt ? { state: 'checked', since: last, dueAt } : { state: 'missing', dueAt }
}

/** What the first check after an instant says of a kind; undefined while there is none, so the bracket is open. */
export function nextCheckSays(
  checks: readonly StationCheck[],
  kind: StepKind,
  after: number,
): 'good' | 'failed' | undefined {
  let next: number | undefined
  let said: 'good' | 'failed' | undefined
  for (const check of checks) {
    const says = checkSays(check, kind)
    if (says === undefined || check.at <= after || (next !== undefined && check.at > next)) continue
    if (check.at !== next || says === 'failed') said = says
    next = check.at
  }
  return said
}

/** What a run's kinds lack, and what its evidence is worth, by the checks of its station. */
export interface CheckSupport {
  /** Kinds for which the run is held, whichever view is taken. */
  readonly missing: readonly { readonly code: 'check-missing' | 'station-locked'; readonly kind: StepKind }[]
  /** Kinds whose evidence is in doubt by all that is known now. */
  readonly suspect: readonly StepKind[]
  /** Every kind asked for was checked good before and after: evidence is good, no longer provisional. */
  readonly isClosed: boolean
}

/**
 * Whether checks carried a run of these kinds that started at `start`, under the two views of `knowledge.ts`. A kind
 * that is not demanded is not asked; where none is, nothing is held, doubted or closed, and evidence stays provisional.
 */
export function checkSupportAt(
  checks: readonly StationCheck[],
  demand: CheckDemand,
  kinds: readonly StepKind[],
  start: number,
): CheckSupport {
  const asked = demand.kinds.filter((kind) => kinds.includes(kind))
  const missing: CheckSupport['missing'][number][] = []
  const suspect: StepKind[] = []
  let isClosed = asked.length > 0
  for (const kind of asked) {
    const now = checkStateAt(checks, kind, demand.validFor, start)
    const next = nextCheckSays(checks, kind, start)
    if (now.state !== 'checked' || next === 'failed') suspect.push(kind)
    if (now.state !== 'checked' || next !== 'good') isClosed = false
    if (now.state === 'checked') continue
    // What is missing is told as it is known now: that is what a person can still mend.
    if (checkStateAt(checks, kind, demand.validFor, start, start).state === 'checked') continue
    missing.push({ code: now.state === 'locked' ? 'station-locked' : 'check-missing', kind })
  }
  return { missing, suspect, isClosed }
}
