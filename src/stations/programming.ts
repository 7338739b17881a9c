import { holds, holdsInstrument, type InstrumentAssignment, type Interval } from './instrument-assignment.ts'
import { isKnown, type Recorded } from './knowledge.ts'

/** The dated record that a revision's sheet was keyed into programs of an instrument and read back. */
export interface Programming extends Recorded {
  readonly programming: string
  readonly station: string
  readonly instrument: string
  readonly programs: readonly string[]
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  /** Milliseconds since the epoch: when the sheet stood in the instrument, read back. */
  readonly at: number
  /** The recorded ending, which may have been recorded long after its instant. */
  readonly ending: (Recorded & { readonly at: number }) | null
}

export type ProgrammingEnd = 'ended' | 'reprogrammed' | 'instrument-left'

export type ProgrammingState =
  /** `until` is a future end that is known already; null where none is. */
  | { readonly state: 'current'; readonly until: number | null }
  /** Not keyed yet at that instant, or not recorded in that view. */
  | { readonly state: 'not-yet' }
  | { readonly state: 'ended'; readonly endedAt: number; readonly by: ProgrammingEnd }

export interface ProgrammingFacts {
  readonly programming: Programming
  /** Those that may have ended it: keyed later into one of its programs. More of them, and itself, do no harm. */
  readonly others: readonly Programming[]
  /** Every assignment of the programming's station and of its instrument. */
  readonly assignments: readonly InstrumentAssignment[]
}

/**
 * Whether what was keyed still stood in the instrument at `at`. It ends at the earliest of: its own ending, a later
 * programming of the instrument that uses one of its programs, and the end of the instrument's stay at the station
 * (for the stay a row recorded under the same view counts). Half-open: at the instant of the end it has ended.
 */
export function programmingAt(facts: ProgrammingFacts, at: number, knownBy?: number): ProgrammingState {
  const { programming } = facts
  if (!isKnown(programming, knownBy) || programming.at > at) return { state: 'not-yet' }
  const stay = holdsInstrument(facts.assignments, programming, programming.at, knownBy)
  if (stay === undefined) return { state: 'ended', endedAt: programming.at, by: 'instrument-left' }
  let end: { readonly at: number; readonly by: ProgrammingEnd } | undefined
  const keepEarliest = (one: { readonly at: number; readonly by: ProgrammingEnd }) => {
    if (end === undefined || one.at < end.at) end = one
  }
  const { ending } = programming
  if (ending !== null && isKnown(ending, knownBy)) keepEarliest({ at: ending.at, by: 'ended' })
  for (const other of facts.others) {
    if (isKnown(other, knownBy) && replaces(other, programming)) keepEarliest({ at: other.at, by: 'reprogrammed' })
  }
  if (stay.until !== null) keepEarliest({ at: stay.until, by: 'instrument-left' })
  const interval: Interval = { from: programming.at, until: end?.at ?? null }
  if (end === undefined || holds(interval, at)) return { state: 'current', until: interval.until }
  return { state: 'ended', endedAt: end.at, by: end.by }
}

/** Whether keying `other` in overwrote what `programming` had keyed in before. */
function replaces(other: Programming, programming: Programming): boolean {
  if (other.programming === programming.programming || other.instrument !== programming.instrument) return false
  return other.programs.some((program) => programming.programs.includes(program)) && isLater(other, programming)
}

/** Of two keyed at one instant the one recorded later is taken for the later one. */
function isLater(one: Programming, other: Programming): boolean {
  if (one.at !== other.at) return one.at > other.at
  if (one.recordedAt !== other.recordedAt) return one.recordedAt > other.recordedAt
  return one.programming > other.programming
}

/**
 * The programming under which a revision stands in an instrument at a station at `at`, by all facts known now, with its
 * end where one is known. Of several, in other programs, the one keyed last.
 */
export function latestProgramming(
  facts: { readonly programmings: readonly Programming[]; readonly assignments: readonly InstrumentAssignment[] },
  asked: Pick<Programming, 'station' | 'instrument' | 'plan' | 'revision' | 'revisionDigest'>,
  at: number,
): { readonly programming: Programming; readonly until: number | null } | undefined {
  let latest: { readonly programming: Programming; readonly until: number | null } | undefined
  for (const programming of facts.programmings) {
    const isThere = programming.station === asked.station && programming.instrument === asked.instrument
    const isSame = programming.plan === asked.plan && programming.revision === asked.revision
    if (!isThere || !isSame || programming.revisionDigest !== asked.revisionDigest) continue
    const state = programmingAt({ programming, others: facts.programmings, assignments: facts.assignments }, at)
    if (state.state !== 'current') continue
    if (latest === undefined || isLater(programming, latest.programming)) latest = { programming, until: state.until }
  }
  return latest
}
