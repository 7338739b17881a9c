import type { FactKey, Facts } from '../judging/facts.ts'
import { type RunCites, supportNeeds, supportOfRun } from '../judging/run-support.ts'
import type { Attempt } from './words.ts'

/** The facts that `isSuspect` asks of the site where the run was made. */
export function needsOfAttempt(attempt: Attempt): FactKey[] {
  const cites = citesOf(attempt)
  return cites === undefined ? [] : supportNeeds(cites, attempt.site)
}

/**
 * Whether instrument, calibration or programming of an accepted run do not hold by all that is known now: a fact
 * recorded late took one away. `facts` are those of the run's site.
 */
export function isSuspect(facts: Facts, attempt: Attempt): boolean {
  const cites = citesOf(attempt)
  return cites === undefined || (supportOfRun(cites, facts, attempt.startedAt)?.suspect ?? true)
}

/** Undefined for a refused upload that named none of it; such a one is no evidence anyhow. */
function citesOf({ station, instrument, programming, plan, revision }: Attempt): RunCites | undefined {
  if (instrument === null || plan === null || revision === null) return undefined
  return { station, instrument, programming: programming ?? undefined, plan, revision }
}
