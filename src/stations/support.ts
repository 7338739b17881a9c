import { writeInstant } from '../exact/time.ts'
import type { StepKind } from '../rules/words.ts'
import { type Calibration, calibrationAt } from './calibration.ts'
import { holdsInstrument, type InstrumentAssignment, instrumentAt } from './instrument-assignment.ts'
import { type Programming, programmingAt } from './programming.ts'
import { type checkCodes, checkSupportAt, missingByCode, type StationChecks } from './station-check.ts'

/** What a test rests on beside its revision, by the codes of an upload that it lacks. */
export type SupportCode =
  | 'instrument-mismatch'
  | 'calibration-expired'
  | 'programming-not-current'
  | (typeof checkCodes)[number]

/** The programming that a run cites, with what can end it. */
export interface CitedProgramming {
  /** As cited; undefined where the run cites none. */
  readonly key: string | undefined
  /** Undefined where there is no programming of that key. */
  readonly programming: Programming | undefined
  /** Those that may have ended it, as `programmingAt` asks for them. */
  readonly others: readonly Programming[]
  /** What the run claims to have been tested by. */
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
}

export interface SupportFacts {
  readonly station: string
  /** The instrument that the run names. */
  readonly instrument: string
  /** The site's. */
  readonly timeZone: string
  /** Every assignment of the station and of the instrument. */
  readonly assignments: readonly InstrumentAssignment[]
  /** Every calibration of the instrument. */
  readonly calibrations: readonly Calibration[]
  /** Undefined where the instrument keeps no programs: then it is never asked for. */
  readonly programming: CitedProgramming | undefined
  readonly checks: StationChecks
  /** Of the steps of the revision cited; none where it is not known. */
  readonly kinds: readonly StepKind[]
}

export interface SupportReason {
  readonly code: SupportCode
  readonly facts: Readonly<Record<string, string>>
}

export interface Support {
  /** What a test at that instant lacks, whichever view is taken; empty: admitted. */
  readonly missing: readonly SupportReason[]
  /** Instrument, calibration or programming may have held when it was tested, and do not by all that is known now. */
  readonly suspect: boolean
  /** The kinds of step that a check of the station has put in doubt, or that lack one by all that is known now. */
  readonly suspectKinds: readonly StepKind[]
  /** Checked good before and after, in every kind that is asked for. */
  readonly isClosed: boolean
  /** The calibration that the verdict rests on; undefined where neither view has a current one. */
  readonly calibration: Calibration | undefined
}

type Answer =
  | { readonly holds: true; readonly calibration?: Calibration }
  | { readonly holds: false; readonly reason: SupportReason }

/**
 * Whether instrument, calibration, programming and station checks carried a test that started at `start` (milliseconds
 * since the epoch). Each is asked under two views. It is admitted where it holds by all facts known now (what was
 * recorded late settles it), or by those recorded at or before the start (what was taken away late refuses nothing). It
 * is suspect where it does not hold by all facts known now.
 */
export function supportAt(facts: SupportFacts, start: number): Support {
  const missing: SupportReason[] = []
  let suspect = false
  let calibration: Calibration | undefined
  for (const ask of [instrumentAnswer, calibrationAnswer, programmingAnswer]) {
    const now = ask(facts, start, undefined)
    if (!now.holds) suspect = true
    const answer = now.holds ? now : ask(facts, start, start)
    // What is missing is told as it is known now: that is what a person can still mend.
    if (!answer.holds) missing.push(now.holds ? answer.reason : now.reason)
    else if (answer.calibration !== undefined) calibration = answer.calibration
  }
  const checked = checkSupportAt(facts.checks, facts, start)
  for (const { code, kinds } of missingByCode(checked.missing)) {
    missing.push({ code, facts: { station: facts.station, kinds: kinds.join(', ') } })
  }
  return { missing, suspect, suspectKinds: checked.suspect, isClosed: checked.isClosed, calibration }
}

function instrumentAnswer(facts: SupportFacts, start: number, knownBy: number | undefined): Answer {
  if (holdsInstrument(facts.assignments, facts, start, knownBy)) return { holds: true }
  const assigned = instrumentAt(facts.assignments, facts.station, start, knownBy)
  const { station, instrument } = facts
  return {
    holds: false,
    reason: {
      code: 'instrument-mismatch',
      facts: { station, instrument, ...(assigned === undefined ? {} : { assigned: assigned.instrument }) },
    },
  }
}

function calibrationAnswer(facts: SupportFacts, start: number, knownBy: number | undefined): Answer {
  const found = calibrationAt(facts.calibrations, start, facts.timeZone, knownBy)
  if (found.state === 'current') return { holds: true, calibration: found.calibration }
  const { instrument } = facts
  if (found.state === 'none') return { holds: false, reason: { code: 'calibration-expired', facts: { instrument } } }
  const { calibration, dueOn } = found.calibration
  return { holds: false, reason: { code: 'calibration-expired', facts: { instrument, calibration, dueOn } } }
}

function programmingAnswer(facts: SupportFacts, start: number, knownBy: number | undefined): Answer {
  const cited = facts.programming
  if (cited === undefined) return { holds: true }
  const because = (why: string, more: Record<string, string> = {}): Answer => ({
    holds: false,
    reason: {
      code: 'programming-not-current',
      facts: { ...(cited.key === undefined ? {} : { programming: cited.key }), because: why, ...more },
    },
  })
  const { programming } = cited
  if (cited.key === undefined) return because('not-cited')
  if (programming === undefined) return because('unknown')
  if (programming.station !== facts.station || programming.instrument !== facts.instrument) {
    return because('elsewhere', { station: programming.station, instrument: programming.instrument })
  }
  if (programming.plan !== cited.plan || programming.revision !== cited.revision) {
    return because('other-revision', { plan: programming.plan, revision: String(programming.revision) })
  }
  if (programming.revisionDigest !== cited.revisionDigest) return because('other-content')
  const state = programmingAt({ programming, others: cited.others, assignments: facts.assignments }, start, knownBy)
  switch (state.state) {
    case 'current':
      return { holds: true }
    case 'not-yet':
      return because('not-yet', { keyedAt: writeInstant(programming.at) })
    case 'ended':
      return because(state.by, { endedAt: writeInstant(state.endedAt) })
  }
}
