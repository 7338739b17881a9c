import { writeInstant } from '../exact/time.ts'
import type { RunWorth } from '../judging/run-support.ts'
import type { CodeFound } from '../judging/words.ts'
import type { ShipState, UnitEvent } from './event-words.ts'
import { compareEvents, hasIdentityConflict, shipStateAt, unmadeBy } from './events.ts'
import { isConceded, isCountedRun, isPass, isRun, waitsForFacts } from './run-kinds.ts'
import { isComplete, isProven, stepStandings } from './step-evidence.ts'
import type { Attempt, Evidence, Release, ReleaseReason, Standing } from './words.ts'

/** What the fold is told beside the history. */
export interface FoldPolicy {
  /** Operations the product requires, by the version in effect when it is asked; none where no version is. */
  readonly operationsRequired: readonly string[]
  /** What a run that is accepted, or held for want of facts, is worth by all that is known now. */
  readonly worthOf: (attempt: Attempt) => AttemptWorth
}

/** What carries a run beside its readings: what is in doubt of it, as a whole or of some kinds of step. */
export interface AttemptWorth extends RunWorth {
  /** The steps of those kinds. */
  readonly suspectSteps: readonly string[]
  /** Nothing that it was held for is missing now. */
  readonly isSupported: boolean
}

export interface FoldedAttempt {
  readonly attempt: Attempt
  /** Why its standing is another than its outcome. */
  readonly codes: readonly CodeFound[]
  /** Its number among the attempts at its operation; null for what is no attempt. */
  readonly number: number | null
  readonly standing: Standing
  /** Null for a rejected upload: it is no result. */
  readonly evidence: Evidence | null
}

export interface FoldedUnit {
  /** In the order of attempts. */
  readonly attempts: readonly FoldedAttempt[]
  /** In their order. */
  readonly events: readonly UnitEvent[]
  readonly shipState: ShipState
  readonly release: Release
}

/** The recorded causes that let a unit pass again after a failure that did not count. */
const CAUSES_RECORDED: ReadonlySet<string> = new Set(['after-rework', 'after-event'])

/**
 * The order of attempts: start as used, sequence number, station, upload key. It is total, so that any order of arrival
 * gives the same list.
 */
export function compareAttempts(one: Attempt, other: Attempt): number {
  return (
    one.startedAt - other.startedAt ||
    one.sequenceNumber - other.sequenceNumber ||
    compareText(one.station, other.station) ||
    compareText(one.uploadKey, other.uploadKey) ||
    compareText(one.runId, other.runId)
  )
}

function compareText(one: string, other: string): number {
  return one < other ? -1 : one > other ? 1 : 0
}

/** The run that speaks for an operation: the latest accepted or held one. */
function governingRun(ordered: readonly Attempt[], operation: string): Attempt | undefined {
  return ordered.findLast((attempt) => isRun(attempt) && attempt.operation === operation)
}

/**
 * The runs whose support decides about release; only theirs need be asked for. The latest of each operation, and where
 * its plan takes evidence from steps, every run that a step has passed in; those that wait for facts, and what would
 * speak were they settled.
 */
export function governingRuns(attempts: readonly Attempt[], events: readonly UnitEvent[] = []): Attempt[] {
  const ordered = [...attempts].sort(compareAttempts)
  const happened = [...events].sort(compareEvents)
  const held = governing(asTheyStand(ordered, happened, () => false))
  const waiting = ordered.filter(waitsForFacts)
  if (waiting.length === 0) return held
  const settled = governing(asTheyStand(ordered, happened, () => true))
  return [...new Map([...held, ...waiting, ...settled].map((run) => [run.runId, run])).values()]
}

/** Attempts in their order, and what has happened to the unit, in its order. */
interface History {
  /** As they stand now: one whose standing is held counts as held. */
  readonly attempts: readonly Attempt[]
  readonly events: readonly UnitEvent[]
}

/** `isSupported` is asked of runs that wait for facts. */
function asTheyStand(
  ordered: readonly Attempt[],
  events: readonly UnitEvent[],
  isSupported: (attempt: Attempt) => boolean,
): History {
  if (events.length === 0 && !ordered.some(waitsForFacts)) return { attempts: ordered, events }
  const attempts = ordered.map((attempt): Attempt => {
    const settled: Attempt =
      waitsForFacts(attempt) && isSupported(attempt) ? { ...attempt, outcome: 'accepted', codes: [] } : attempt
    return hasIdentityConflict(events, settled)
      ? { ...settled, outcome: 'held', codes: [...settled.codes, 'identity-conflict'] }
      : settled
  })
  return { attempts, events }
}

/** Those of which nothing has taken the worth. */
function whole({ attempts, events }: History): readonly Attempt[] {
  return events.length === 0 ? attempts : attempts.filter((attempt) => unmadeBy(events, attempt) === undefined)
}

function governing(history: History): Attempt[] {
  const ordered = history.attempts
  const latest = new Map<string, Attempt>()
  for (const attempt of ordered) {
    if (isRun(attempt) && attempt.operation !== null) latest.set(attempt.operation, attempt)
  }
  const chosen = new Set(latest.values())
  for (const run of latest.values()) {
    if (run.steps === null) continue
    for (const standing of stepStandings(whole(history), run)) {
      if (standing.run !== undefined && isProven(standing)) chosen.add(standing.run)
    }
  }
  return [...chosen]
}

/**
 * Whether a row counts as an attempt at the unit: a production run, or a failure that was reported in one that did not
 * count (design promise 5: bad news is never lost).
 */
function isAttempt(attempt: Attempt): boolean {
  return (isRun(attempt) && attempt.purpose === 'production') || attempt.reportedFailure
}

/**
 * Folds a unit's history into attempts, standings, evidence and release. Pure, and the only place that does. `events` are
 * what happened to it outside its tests.
 */
export function foldUnit(
  attempts: readonly Attempt[],
  policy: FoldPolicy,
  events: readonly UnitEvent[] = [],
): FoldedUnit {
  const ordered = [...attempts].sort(compareAttempts)
  const isSupported = (attempt: Attempt) => policy.worthOf(attempt).isSupported
  const history = asTheyStand(ordered, [...events].sort(compareEvents), isSupported)
  const speaking = new Set(governing(history))
  const numbers = numberAttempts(history.attempts)
  const folded = history.attempts.map(
    (standing, index): FoldedAttempt => ({
      attempt: ordered[index] ?? standing,
      codes: standingCodes(standing, history.events),
      number: numbers.get(standing) ?? null,
      standing: standing.outcome,
      evidence: evidenceOf(standing, speaking, { policy, history }),
    }),
  )
  const reasons = releaseReasons(history, policy)
  const releasable = reasons.length === 0
  const provisional =
    releasable && folded.some(({ evidence, attempt }) => evidence === 'provisional' || isConceded(attempt))
  return {
    attempts: folded,
    events: history.events,
    shipState: shipStateAt(history.events),
    release: { releasable, provisional, concessions: releasable ? concessionsOf(speaking) : [], reasons },
  }
}

function standingCodes(standing: Attempt, events: readonly UnitEvent[]): CodeFound[] {
  if (!standing.codes.includes('identity-conflict')) return []
  return [{ code: 'identity-conflict', facts: { shipState: shipStateAt(events, standing.startedAt) } }]
}

/**
 * Which attempt at its operation each one is, from 1. A reported failure whose operation is not known (its plan is not)
 * may have been an attempt at any, so it counts at all of them.
 */
function numberAttempts(ordered: readonly Attempt[]): ReadonlyMap<Attempt, number> {
  const numbers = new Map<Attempt, number>()
  const counts = new Map<string | null, number>()
  for (const attempt of ordered.filter(isAttempt)) {
    const { operation } = attempt
    const before = operation === null ? numbers.size : (counts.get(operation) ?? 0) + (counts.get(null) ?? 0)
    numbers.set(attempt, before + 1)
    counts.set(operation, (counts.get(operation) ?? 0) + 1)
  }
  return numbers
}

function evidenceOf(
  attempt: Attempt,
  speaking: ReadonlySet<Attempt>,
  { policy, history }: { readonly policy: FoldPolicy; readonly history: History },
): Evidence | null {
  if (!isRun(attempt)) return null
  if (!carriesAnything(attempt)) return 'none'
  if (!speaking.has(attempt) || unmadeBy(history.events, attempt) !== undefined) return 'superseded'
  const worth = policy.worthOf(attempt)
  if (isDoubted(worth)) return 'suspect'
  return worth.isClosed ? 'good' : 'provisional'
}

/** A pass; where the plan takes evidence from steps, also a run in which one of them passed. */
function carriesAnything(attempt: Attempt): boolean {
  if (attempt.steps === null || !isCountedRun(attempt)) return isPass(attempt)
  return attempt.steps.some(({ verdict }) => verdict === 'pass' || verdict === 'pass-under-permit')
}

function releaseReasons(history: History, policy: FoldPolicy): ReleaseReason[] {
  const ordered = history.attempts
  if (ordered.length === 0) return [{ code: 'unit-unknown', facts: {} }]
  if (policy.operationsRequired.length === 0) return [{ code: 'requirements-unknown', facts: {} }]
  const reasons = policy.operationsRequired.flatMap((operation) => operationReasons(history, operation, policy))
  const scrapped = history.events.findLast(({ event }) => event === 'scrapped')
  if (scrapped !== undefined && shipStateAt(history.events) === 'scrapped') {
    reasons.push({ code: 'unit-scrapped', facts: { at: writeInstant(scrapped.at) } })
  }
  for (const [index, attempt] of ordered.entries()) {
    if (isUnexplained(attempt, ordered.slice(index + 1))) {
      reasons.push({
        code: 'failure-unexplained',
        facts: { runId: attempt.runId, ...optionalText('operation', attempt.operation) },
      })
    }
  }
  return reasons
}

function operationReasons(history: History, operation: string, policy: FoldPolicy): ReleaseReason[] {
  const run = governingRun(history.attempts, operation)
  if (run === undefined) return [{ code: 'operation-missing', facts: { operation } }]
  const facts = { operation, runId: run.runId }
  if (run.outcome === 'held') return [{ code: 'hold-open', facts: { ...facts, codes: run.codes.join(' ') } }]
  if (run.steps !== null) return stepReasons(whole(history), run, { operation, policy })
  // Leave was given for what it failed on; all else that may speak against it still does.
  switch (isConceded(run) ? 'pass' : run.verdict) {
    case 'pass':
    case 'pass-under-permit': {
      const event = unmadeBy(history.events, run)
      if (event !== undefined) {
        return [{ code: 'evidence-superseded', facts: { ...facts, event: event.event, at: writeInstant(event.at) } }]
      }
      return suspectReasons(policy.worthOf(run), facts)
    }
    case 'fail':
      return [{ code: 'latest-run-fail', facts }]
    case 'inconclusive':
      return [{ code: 'latest-run-inconclusive', facts }]
    case 'incomplete':
      return [{ code: 'latest-run-incomplete', facts }]
    // An accepted run is always judged; were it not, it would be no proper test.
    case 'invalid':
    case null:
      return [{ code: 'latest-run-invalid', facts }]
  }
}

/** Why the steps of an operation do not carry it, step by step; a run that lost its support is named once. */
function stepReasons(
  ordered: readonly Attempt[],
  latest: Attempt,
  { operation, policy }: { readonly operation: string; readonly policy: FoldPolicy },
): ReleaseReason[] {
  const suspects = new Set<string>()
  return stepStandings(ordered, latest).flatMap((standing): ReleaseReason[] => {
    const { step, run, verdict, unprovenBefore: after } = standing
    if (run === undefined || verdict === undefined) return [{ code: 'step-missing', facts: { operation, step } }]
    const facts = { operation, step, runId: run.runId }
    if (after !== undefined) return [{ code: 'step-out-of-order', facts: { ...facts, after } }]
    if (!isProven(standing)) return [{ code: 'step-not-passed', facts: { ...facts, verdict } }]
    const worth = policy.worthOf(run)
    if (worth.suspectSteps.includes(step)) return suspectReasons(worth, facts)
    if (!worth.suspect || suspects.has(run.runId)) return []
    suspects.add(run.runId)
    return suspectReasons(worth, { operation, runId: run.runId })
  })
}

/** The leave under which runs that speak for an operation do not keep the unit from shipping. */
function concessionsOf(speaking: ReadonlySet<Attempt>): string[] {
  return [...speaking].flatMap((run) => (isConceded(run) ? [run.concession] : [])).sort()
}

function isDoubted({ suspect, suspectKinds }: AttemptWorth): boolean {
  return suspect || suspectKinds.length > 0
}

/** One reason, which names the kinds of step where checks of the station are what is against the run. */
function suspectReasons(worth: AttemptWorth, facts: ReleaseReason['facts']): ReleaseReason[] {
  if (!isDoubted(worth)) return []
  const kinds = worth.suspect ? {} : { kinds: worth.suspectKinds.join(', ') }
  return [{ code: 'evidence-suspect', facts: { ...facts, ...kinds } }]
}

/** Whether an operation passed in these attempts alone: in one run, or where its plan says so step by step. */
function hasPassed(attempts: readonly Attempt[], operation: string | null): boolean {
  return attempts.some((one) => {
    if (operation !== null && one.operation !== operation) return false
    return isPass(one) || (one.steps !== null && isCountedRun(one) && isComplete(stepStandings(attempts, one)))
  })
}

/**
 * A failure that was reported in a rejected, held or engineering run blocks release until a later valid pass and a
 * recorded cause. An ordinary failed run needs no cause: the next pass supersedes it.
 */
function isUnexplained(attempt: Attempt, later: readonly Attempt[]): boolean {
  if (!attempt.reportedFailure || (attempt.outcome === 'accepted' && attempt.purpose === 'production')) return false
  const passed = hasPassed(later, attempt.operation)
  // The cause must stand in a run that counts itself: held, rejected and engineering runs prove nothing.
  const caused = later.some(
    (one) => isCountedRun(one) && one.attemptCause !== null && CAUSES_RECORDED.has(one.attemptCause),
  )
  return !(passed && caused)
}

function optionalText(name: string, value: string | null): Record<string, string> {
  return value === null ? {} : { [name]: value }
}
