import { type StepVerdict, type Verdict, worseVerdict } from '../judging/words.ts'
import { isConceded, isCountedRun } from './run-kinds.ts'
import type { Attempt, StepResult } from './words.ts'

/**
 * Evidence step by step, for plans that say `evidenceFrom: steps`: the required steps of an operation may have passed in
 * several of its runs. The latest run says which steps are asked; of each step the latest run that has a result of it
 * speaks.
 */

/** What speaks for one required step now. */
export interface StepStanding {
  readonly step: string
  /** The latest run with a result of the step; undefined where none has one. */
  readonly run: Attempt | undefined
  readonly verdict: Verdict | undefined
  /** A step that had to come first and had not passed by then. */
  readonly unprovenBefore: string | undefined
}

/**
 * The standing of each step that `latest` requires. `ordered` is the unit's history in the order of attempts; only
 * accepted production runs of the operation and plan count.
 */
export function stepStandings(ordered: readonly Attempt[], latest: Attempt): StepStanding[] {
  const runs = ordered.filter(
    (one) => isCountedRun(one) && one.operation === latest.operation && one.plan === latest.plan && one.steps !== null,
  )
  return (latest.steps ?? [])
    .filter(({ required }) => required)
    .map(({ step, after }) => {
      const index = runs.findLastIndex((run) => resultOf(run, step) !== undefined)
      const run = runs[index]
      // Whether what must come first had passed is asked as of the run that the step's result is from.
      const before = runs.slice(0, index + 1)
      const unprovenBefore = run === undefined ? undefined : unproven(before, latest.steps ?? [], after)
      return { step, run, verdict: run && resultOf(run, step), unprovenBefore }
    })
}

/** Whether every required step passed, and in its order. */
export function isComplete(standings: readonly StepStanding[]): boolean {
  return standings.every(isProven)
}

export function isProven({ run, verdict, unprovenBefore }: StepStanding): boolean {
  const isConcededFail = verdict === 'fail' && run !== undefined && isConceded(run)
  return (verdict === 'pass' || verdict === 'pass-under-permit' || isConcededFail) && unprovenBefore === undefined
}

/** The first step, of those named and all that they wait for, that had not passed; an optional one may be left out. */
function unproven(
  runs: readonly Attempt[],
  planned: readonly StepResult[],
  names: readonly string[],
): string | undefined {
  const asked = new Set(names)
  // A set that grows while it is walked: each step is asked once, however the steps hang together.
  for (const name of asked)
    for (const earlier of planned.find(({ step }) => step === name)?.after ?? []) asked.add(earlier)
  return planned.find(({ step, required }) => {
    if (!asked.has(step)) return false
    const verdict = latestVerdict(runs, step)
    return verdict !== 'pass' && (verdict !== undefined || required)
  })?.step
}

function latestVerdict(runs: readonly Attempt[], step: string): Verdict | undefined {
  const verdict = runs.map((run) => resultOf(run, step)).findLast((one) => one !== undefined)
  return verdict === 'pass-under-permit' ? 'pass' : verdict
}

/** What a run says of a step; undefined where the step was not run in it. */
function resultOf({ steps }: Attempt, step: string): Verdict | undefined {
  const verdict = steps?.find((one) => one.step === step)?.verdict
  return verdict === 'not-run' ? undefined : verdict
}

/**
 * The results of a run as its history keeps them. A station's word about the whole run that none of its steps explains
 * may be about any of them, so it counts for each that was run.
 */
export function stepResults(
  planned: readonly Pick<StepResult, 'step' | 'required' | 'after'>[],
  verdicts: readonly StepVerdict[],
  stationWord: Verdict | null,
): StepResult[] {
  const isExplained = verdicts.some(
    (one) => stationWord !== null && one !== 'not-run' && worseVerdict(one, stationWord) === one,
  )
  return planned.map(({ step, required, after }, index) => {
    const own = verdicts[index] ?? 'not-run'
    const verdict = own === 'not-run' || stationWord === null || isExplained ? own : worseVerdict(own, stationWord)
    return { step, verdict, required, after: [...after] }
  })
}
