import type { PlanContent } from '../plans/words.ts'
import type { StepKind } from '../rules/words.ts'
import { type Support, supportAt } from '../stations/support.ts'
import { type FactKey, type Facts, factOf, type RevisionFact, siteOf } from './facts.ts'

/** What a run cites of its surroundings. */
export interface RunCites {
  readonly station: string
  readonly instrument: string
  readonly programming?: string | undefined
  readonly plan: string
  readonly revision: number
  /** Left out where it was held to the programming before: neither ever changes. */
  readonly revisionDigest?: string
}

/** The facts that `supportOfRun` asks for. */
export function supportNeeds(run: RunCites, site: string): FactKey[] {
  const needs: FactKey[] = [`site/${site}`, `station/${run.station}`, `instrument/${run.instrument}`]
  if (run.programming !== undefined) needs.push(`programming/${run.programming}`)
  return needs
}

/**
 * Whether instrument, calibration, programming and station checks carried a run that started at `at` (milliseconds since the epoch).
 * `kinds` are those of the revision's steps; none where it is not known. Undefined where station or instrument is
 * unknown, so that nothing can be asked. `facts` are those of the run's site.
 */
export function supportOfRun(
  run: RunCites,
  facts: Facts,
  { at, kinds }: { readonly at: number; readonly kinds: readonly StepKind[] },
): Support | undefined {
  const station = factOf(facts, 'station', run.station)
  const instrument = factOf(facts, 'instrument', run.instrument)
  if (station === null || instrument === null) return undefined
  const cited = run.programming === undefined ? null : factOf(facts, 'programming', run.programming)
  return supportAt(
    {
      station: run.station,
      instrument: run.instrument,
      timeZone: siteOf(facts).timeZone,
      assignments: [...station.assignments, ...instrument.assignments],
      calibrations: instrument.calibrations,
      programming:
        instrument.programs === null
          ? undefined
          : {
              key: run.programming,
              programming: cited?.programming,
              others: cited?.others ?? [],
              plan: run.plan,
              revision: run.revision,
              revisionDigest: run.revisionDigest ?? cited?.programming.revisionDigest ?? '',
            },
      checks: station.checks,
      kinds,
    },
    at,
  )
}

/** What a run is worth as evidence, by all that is known now. */
export type RunWorth = Pick<Support, 'suspect' | 'suspectKinds' | 'isClosed'>

/**
 * The same where the revision was withdrawn from an instant at or before the run's start: whatever carried it, it was tested
 * with what should not have been used. Nothing is refused by that, since the run may have been made before anybody knew.
 */
export function withRevision(
  worth: RunWorth,
  revision: Pick<RevisionFact, 'withdrawnFrom'> | null,
  at: number,
): RunWorth {
  const from = revision?.withdrawnFrom ?? null
  return from === null || at < from ? worth : { ...worth, suspect: true }
}

/** Of a run that was admitted. */
export const UNDOUBTED: RunWorth = { suspect: false, suspectKinds: [], isClosed: false }

/** The kinds of the steps of a revision, each once. */
export function kindsOf(content: PlanContent): StepKind[] {
  return [...new Set(content.steps.map(({ kind }) => kind))]
}
