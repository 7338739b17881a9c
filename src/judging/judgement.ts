import type { InstrumentState } from './acceptance.ts'
import type { CompiledRevision } from './compile.ts'
import type { WrittenNumber } from './limit.ts'
import type { StepsFound } from './validity.ts'
import { type Reason, type StationVerdict, type StepVerdict, type Verdict, worseVerdict } from './words.ts'

export interface MeasurementJudgement {
  readonly measurement: string
  readonly verdict: Verdict
  /** The number that was compared, in the unit of the limit; absent where none was. */
  readonly judged?: WrittenNumber
  /** That number rounded, where the plan rounds; this was placed against the limits. */
  readonly rounded?: WrittenNumber
  readonly limitUpper?: WrittenNumber
  readonly limitLower?: WrittenNumber
  /** Of a guarded decision rule: the width used, and the limits moved inwards by it. */
  readonly guardBand?: WrittenNumber
  readonly acceptanceUpper?: WrittenNumber
  readonly acceptanceLower?: WrittenNumber
  /** How far inside the limit, negative beyond it; absent where the limit did not decide. */
  readonly margin?: WrittenNumber
  readonly reasons: readonly Reason[]
}

export interface StepJudgement {
  readonly step: string
  readonly verdict: StepVerdict
  readonly reasons: readonly Reason[]
  readonly measurements: readonly MeasurementJudgement[]
}

export interface Judgement {
  readonly verdict: Verdict
  readonly stationVerdict: StationVerdict | null
  /** Something was stressed above what the plan accepts: the number is judged, the run held. */
  readonly overStress: boolean
  /** The station judged a run, step or measurement otherwise than the server: its limits differ from the plan's. */
  readonly disagreement: boolean
  readonly reasons: readonly Reason[]
  /** One for every planned step, in the plan's order. */
  readonly steps: readonly StepJudgement[]
}

/** What is found on the way besides the verdicts. */
export interface Notes {
  overStress: boolean
  disagreement: boolean
}

/** What a measurement is judged in: the revision, the steps that were run, and what is noted on the way. */
export interface Surroundings {
  readonly instrument: InstrumentState
  readonly revision: CompiledRevision
  readonly found: StepsFound
  readonly notes: Notes
}

export const NO_REASONS: readonly Reason[] = Object.freeze([])

/** The worse word of server and station. A difference is noted: the station's limits are then not the plan's. */
export function withStation(
  own: Verdict,
  station: StationVerdict | undefined,
  reasons: Reason[],
  notes: Notes,
): Verdict {
  if (station === undefined || station === own || (station === 'pass' && own === 'pass-under-permit')) return own
  notes.disagreement = true
  const worse = worseVerdict(own, station)
  const code = worse === own ? 'station-verdict-differs' : 'station-verdict-worse'
  reasons.push({ code, facts: { server: own, station } })
  return worse
}
