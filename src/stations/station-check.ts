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
  /** The one that stood at the station; a good check says nothing of another one. */
  readonly instrument: string
  /** Milliseconds since the epoch. */
  readonly at: number
  readonly results: readonly CheckResult[]
}

/** What is asked of a station from an instant on: which kinds of step are to be checked, and how long a good check holds. */
export interface CheckDemand {
  /** Milliseconds since the epoch; always after the act that set it. */
  readonly effectiveFrom: number
  readonly kinds: readonly StepKind[]
  /** Milliseconds. */
  readonly validFor: number
}

/** What is known of the checks of one station. */
export interface StationChecks {
  readonly demands: readonly CheckDemand[]
  /** In ascending order of their instants. */
  readonly checks: readonly StationCheck[]
}

export const NO_CHECKS: StationChecks = { demands: [], checks: [] }

export const checkWords = ['good', 'failed'] as const
export type CheckWord = (typeof checkWords)[number]

/**
 * What a check says of one kind. It failed where any unit showed other than what it is known for; a fault that passes
 * is the worst of these. It is good only where a known-pass passed and a known-fail failed, since a station that passes
 * everything passes the known-pass too. Undefined where it says neither.
 */
export function checkSays(
  { results }: { readonly results: readonly CheckResult[] },
  kind: StepKind,
): CheckWord | undefined {
  const own = results.filter((result) => result.kind === kind)
  if (own.some(({ expected, found }) => expected !== found)) return 'failed'
  const isShown = (expected: 'pass' | 'fail') => own.some((result) => result.expected === expected)
  return isShown('pass') && isShown('fail') ? 'good' : undefined
}

/** The demand in effect at an instant; of two from one instant the one recorded later, which stands later in the list. */
export function demandAt(demands: readonly CheckDemand[], at: number): CheckDemand | undefined {
  let last: CheckDemand | undefined
  for (const demand of demands) {
    if (demand.effectiveFrom <= at && (last === undefined || demand.effectiveFrom >= last.effectiveFrom)) last = demand
  }
  return last
}

/** How one kind of step stood checked at an instant. */
export type CheckState =
  | { readonly state: 'checked'; readonly since: number /** First instant without it. */; readonly dueAt: number }
  | {
      readonly state: 'missing' /** First instant without it; undefined where there was none. */
      readonly dueAt?: number
    }
  | { readonly state: 'locked'; readonly since: number }

export interface Asked {
  readonly kind: StepKind
  readonly instrument: string
}

export interface Said {
  readonly at: number
  readonly says: CheckWord
}

/**
 * What each check says of a kind at an instrument, the latest first: an upload is mostly about the end of the list. A
 * failed one speaks of the station, whatever instrument stood there.
 */
export function* saidOf(
  checks: readonly StationCheck[],
  { kind, instrument }: Asked,
  knownBy?: number,
): Generator<Said> {
  for (let index = checks.length - 1; index >= 0; index -= 1) {
    const check = checks[index]
    if (check === undefined || !isKnown(check, knownBy)) continue
    const says = checkSays(check, kind)
    if (says === 'failed' || (says === 'good' && check.instrument === instrument)) yield { at: check.at, says }
  }
}

/**
 * The state of one kind at `at` (milliseconds since the epoch). The last check that says anything of the kind counts,
 * from its own instant on: a failed one locks until the next good one, however long. Of two at one instant a failed one
 * counts, since one person is enough to stop anything.
 */
export function checkStateAt(
  checks: readonly StationCheck[],
  asked: Asked,
  { validFor, at, knownBy }: { readonly validFor: number; readonly at: number; readonly knownBy?: number | undefined },
): CheckState {
  let last: Said | undefined
  for (const said of saidOf(checks, asked, knownBy)) {
    if (said.at > at) continue
    if (last !== undefined && said.at < last.at) break
    if (last?.says !== 'failed') last = said
  }
  if (last === undefined) return { state: 'missing' }
  if (last.says === 'failed') return { state: 'locked', since: last.at }
  const dueAt = last.at + validFor
  return at < dueAt ? { state: 'checked', since: last.at, dueAt } : { state: 'missing', dueAt }
}

/** What the first check after an instant says of a kind; undefined while there is none, so the bracket is open. */
function nextCheckSays(checks: readonly StationCheck[], asked: Asked, after: number): CheckWord | undefined {
  let next: Said | undefined
  for (const said of saidOf(checks, asked)) {
    if (said.at <= after) break
    if (said.at !== next?.at || said.says === 'failed') next = said
  }
  return next?.says
}

export const checkCodes = ['check-missing', 'station-locked'] as const

/** What a run's kinds lack, and what its evidence is worth, by the checks of its station. */
export interface CheckSupport {
  /** Kinds for which the run is held, whichever view is taken. */
  readonly missing: readonly { readonly code: (typeof checkCodes)[number]; readonly kind: StepKind }[]
  /** Kinds whose evidence is in doubt by all that is known now. */
  readonly suspect: readonly StepKind[]
  /** Every kind asked for was checked good before and after: evidence is good, no longer provisional. */
  readonly isClosed: boolean
  /** When the first of the good checks asked for ends, or ended; null where none is asked for, or there was none. */
  readonly dueAt: number | null
}

/** What is missing, one code at a time. */
export function missingByCode(
  missing: CheckSupport['missing'],
): { readonly code: (typeof checkCodes)[number]; readonly kinds: readonly StepKind[] }[] {
  return checkCodes.flatMap((code) => {
    const kinds = missing.filter((one) => one.code === code).map(({ kind }) => kind)
    return kinds.length === 0 ? [] : [{ code, kinds }]
  })
}

/**
 * Whether checks carried a run of these kinds that started at `start`, under the two views of `knowledge.ts`. Of a kind
 * that is not demanded none is missed, but a failed check counts all the same. Where no kind is demanded nothing is
 * closed, and evidence stays provisional.
 */
export function checkSupportAt(
  { demands, checks }: StationChecks,
  run: { readonly instrument: string; readonly kinds: readonly StepKind[] },
  start: number,
): CheckSupport {
  const demand = demandAt(demands, start)
  const missing: CheckSupport['missing'][number][] = []
  const suspect: StepKind[] = []
  let demanded = 0
  let closed = 0
  let dueAt: number | null = null
  for (const kind of run.kinds) {
    const isDemanded = demand?.kinds.includes(kind) === true
    const validFor = demand !== undefined && isDemanded ? demand.validFor : Number.POSITIVE_INFINITY
    const asked = { kind, instrument: run.instrument }
    const holds = ({ state }: CheckState) => state === 'checked' || (state === 'missing' && !isDemanded)
    const now = checkStateAt(checks, asked, { validFor, at: start })
    const next = nextCheckSays(checks, asked, start)
    if (!holds(now) || next === 'failed') suspect.push(kind)
    if (isDemanded) demanded += 1
    if (isDemanded && now.state !== 'locked' && now.dueAt !== undefined) dueAt = Math.min(now.dueAt, dueAt ?? now.dueAt)
    if (isDemanded && now.state === 'checked' && next === 'good') closed += 1
    // What is missing is told as it is known now: that is what a person can still mend.
    if (holds(now) || holds(checkStateAt(checks, asked, { validFor, at: start, knownBy: start }))) continue
    missing.push({ code: now.state === 'locked' ? 'station-locked' : 'check-missing', kind })
  }
  return { missing, suspect, isClosed: demanded > 0 && closed === demanded, dueAt }
}
