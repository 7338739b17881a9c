import { type FactKey, type Facts, factOf, revisionKey } from '../judging/facts.ts'
import {
  kindsOf,
  type RunCites,
  type RunWorth,
  supportNeeds,
  supportOfRun,
  withRevision,
} from '../judging/run-support.ts'
import type { PlanContent } from '../plans/words.ts'
import type { AttemptWorth } from './fold.ts'
import type { Attempt } from './words.ts'

/** The facts that `worthOf` asks of the site where the run was made. */
export function needsOfAttempt(attempt: Attempt): FactKey[] {
  const cites = citesOf(attempt)
  if (cites === undefined) return []
  const person: FactKey[] = attempt.person === null ? [] : [`person/${attempt.person}`]
  return [...supportNeeds(cites, attempt.site), revisionKey(cites.plan, cites.revision), ...person]
}

/** What nothing is known to carry. */
const NOTHING: RunWorth = { suspect: true, suspectKinds: [], isClosed: false }

/**
 * What instrument, calibration, programming, station checks and revision make of an accepted run by all that is known now:
 * a fact recorded late, a check that failed later or a withdrawal that reaches back may have taken something away. `facts` are those of the run's site.
 */
export function worthOf(facts: Facts, attempt: Attempt): AttemptWorth {
  const cites = citesOf(attempt)
  const revision = cites && factOf(facts, 'revision', `${cites.plan}/${cites.revision}`)
  if (!cites || !revision) return { ...NOTHING, suspectSteps: [], isSupported: false }
  const { content } = revision
  const support = supportOfRun(cites, facts, { at: attempt.startedAt, kinds: kindsOf(content) })
  const isSupported =
    support?.missing.length === 0 && attempt.person !== null && factOf(facts, 'person', attempt.person) !== null
  return { ...withSteps(withRevision(support ?? NOTHING, revision, attempt.startedAt), content), isSupported }
}

/** The worth with the steps that it puts in doubt, of a run that was admitted just now: what it lacks, it lacks. */
export function withSteps(worth: RunWorth, content: PlanContent): AttemptWorth {
  const { suspect, suspectKinds, isClosed } = worth
  const steps = content.steps.filter(({ kind }) => suspectKinds.includes(kind))
  return { suspect, suspectKinds, isClosed, suspectSteps: steps.map(({ step }) => step), isSupported: false }
}

/** Undefined for a refused upload that named none of it; such a one is no evidence anyhow. */
function citesOf({ station, instrument, programming, plan, revision }: Attempt): RunCites | undefined {
  if (instrument === null || plan === null || revision === null) return undefined
  return { station, instrument, programming: programming ?? undefined, plan, revision }
}
