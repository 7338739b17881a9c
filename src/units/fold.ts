import type { Attempt, Evidence, Release, ReleaseReason, Standing } from './words.ts'

/** What the fold is told beside the history. */
export interface FoldPolicy {
  /** Operations the product requires, by the version in effect when it is asked; none where no version is. */
  readonly operationsRequired: readonly string[]
  /** Whether instrument, calibration or programming of an accepted run were taken away by a fact recorded late. */
  readonly isSuspect: (attempt: Attempt) => boolean
}

export interface FoldedAttempt {
  readonly attempt: Attempt
  /** Its number among the attempts at its operation; null for what is no attempt. */
  readonly number: number | null
  readonly standing: Standing
  /** Null for a rejected upload: it is no result. */
  readonly evidence: Evidence | null
}

export interface FoldedUnit {
  /** In the order of attempts. */
  readonly attempts: readonly FoldedAttempt[]
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

/** The runs whose support decides about release; only theirs need be asked for. */
export function governingRuns(attempts: readonly Attempt[]): Attempt[] {
  const latest = new Map<string, Attempt>()
  for (const attempt of [...attempts].sort(compareAttempts)) {
    if (isRun(attempt) && attempt.operation !== null) latest.set(attempt.operation, attempt)
  }
  return [...latest.values()]
}

function isRun(attempt: Attempt): boolean {
  return attempt.outcome !== 'rejected'
}

function isPass(attempt: Attempt): boolean {
  return (
    attempt.outcome === 'accepted' &&
    attempt.purpose === 'production' &&
    (attempt.verdict === 'pass' || attempt.verdict === 'pass-under-permit')
  )
}

/**
 * Whether a row counts as an attempt at the unit: a production run, or a failure that was reported in one that did not
 * count (design promise 5: bad news is never lost).
 */
function isAttempt(attempt: Attempt): boolean {
  return (isRun(attempt) && attempt.purpose === 'production') || attempt.reportedFailure
}

/** Folds a unit's history into attempts, standings, evidence and release. Pure, and the only place that does. */
export function foldUnit(attempts: readonly Attempt[], policy: FoldPolicy): FoldedUnit {
  const ordered = [...attempts].sort(compareAttempts)
  const governing = new Set(governingRuns(ordered))
  const numbers = numberAttempts(ordered)
  const folded = ordered.map(
    (attempt): FoldedAttempt => ({
      attempt,
      number: numbers.get(attempt) ?? null,
      standing: attempt.outcome,
      evidence: evidenceOf(attempt, governing, policy),
    }),
  )
  const reasons = releaseReasons(ordered, policy)
  return { attempts: folded, release: { releasable: reasons.length === 0, provisional: reasons.length === 0, reasons } }
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

function evidenceOf(attempt: Attempt, governing: ReadonlySet<Attempt>, policy: FoldPolicy): Evidence | null {
  if (!isRun(attempt)) return null
  if (!isPass(attempt)) return 'none'
  if (!governing.has(attempt)) return 'superseded'
  return policy.isSuspect(attempt) ? 'suspect' : 'provisional'
}

function releaseReasons(ordered: readonly Attempt[], policy: FoldPolicy): ReleaseReason[] {
  if (ordered.length === 0) return [{ code: 'unit-unknown', facts: {} }]
  if (policy.operationsRequired.length === 0) return [{ code: 'requirements-unknown', facts: {} }]
  const reasons = policy.operationsRequired.flatMap((operation) => operationReasons(ordered, operation, policy))
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

function operationReasons(ordered: readonly Attempt[], operation: string, policy: FoldPolicy): ReleaseReason[] {
  const run = governingRun(ordered, operation)
  if (run === undefined) return [{ code: 'operation-missing', facts: { operation } }]
  const facts = { operation, runId: run.runId }
  if (run.outcome === 'held') return [{ code: 'hold-open', facts: { ...facts, codes: run.codes.join(' ') } }]
  switch (run.verdict) {
    case 'pass':
    case 'pass-under-permit':
      return policy.isSuspect(run) ? [{ code: 'evidence-suspect', facts }] : []
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

/**
 * A failure that was reported in a rejected, held or engineering run blocks release until a later valid pass and a
 * recorded cause. An ordinary failed run needs no cause: the next pass supersedes it.
 */
function isUnexplained(attempt: Attempt, later: readonly Attempt[]): boolean {
  if (!attempt.reportedFailure || (attempt.outcome === 'accepted' && attempt.purpose === 'production')) return false
  const passed = later.some((one) => isPass(one) && (attempt.operation === null || one.operation === attempt.operation))
  // The cause must stand in a run that counts itself: held, rejected and engineering runs prove nothing.
  const caused = later.some(
    (one) =>
      one.outcome === 'accepted' &&
      one.purpose === 'production' &&
      one.attemptCause !== null &&
      CAUSES_RECORDED.has(one.attemptCause),
  )
  return !(passed && caused)
}

function optionalText(name: string, value: string | null): Record<string, string> {
  return value === null ? {} : { [name]: value }
}
