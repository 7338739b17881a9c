import type { Decision } from '../judging/decide.ts'
import type { StepJudgement } from '../judging/judgement.ts'
import type { CodeFound, Outcome, Reason, StationVerdict, Verdict } from '../judging/words.ts'

/**
 * An upload as its rows tell it: what the first answer was made from, and every later one is made from again. Sentences
 * are not stored; status, outcome, verdict, codes and facts are.
 */
export interface StoredUpload {
  readonly runId: string
  readonly site: string
  readonly station: string | null
  readonly uploadKey: string | null
  readonly outcome: Outcome
  readonly codes: readonly CodeFound[]
  readonly contentDigest: string
  readonly receivedAt: number
  readonly skewMs: number | null
  readonly startedAt: number | null
  /** The station's own word on the run, as sent. */
  readonly stationVerdict: StationVerdict | null
  readonly startedAtUsed: number | null
  readonly product: string | null
  /** By the product's rule where one could be asked, else as sent. */
  readonly serial: string | null
  /** Null where the upload was rejected. */
  readonly judged: StoredJudgement | null
}

export interface StoredJudgement {
  readonly operation: string
  readonly variant: string
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly productVersion: number
  readonly editions: readonly string[]
  readonly decisionRule: string
  readonly calibration: string | null
  readonly verdict: Verdict
  readonly stationVerdict: StationVerdict | null
  readonly reasons: readonly Reason[]
  readonly steps: readonly StepJudgement[]
}

/** The part of a judgement that stands in one column, because nothing asks for its parts in SQL. */
export interface JudgementText {
  readonly reasons: readonly Reason[]
  readonly steps: readonly StepJudgement[]
}

/** What an accepted or held decision says of the run; null for a rejected one. */
export function judgedOf(decision: Decision, variant: string): StoredJudgement | null {
  const { admission, judgement } = decision
  if (judgement === null || admission.revision === null || admission.compiled === null) return null
  const { plan, revision, digest, content } = admission.revision
  return {
    operation: content.operation,
    variant,
    plan,
    revision,
    revisionDigest: digest,
    productVersion: content.productVersion,
    editions: admission.editions,
    decisionRule: admission.compiled.decisionRule,
    calibration: admission.calibration?.calibration ?? null,
    verdict: judgement.verdict,
    stationVerdict: judgement.stationVerdict,
    reasons: judgement.reasons,
    steps: judgement.steps,
  }
}

/** Why the bytes of a line could not be read as an upload. */
export interface LineFault {
  readonly code: string
  /** Of the first bad byte, counted from the beginning of the line. */
  readonly offset: number
  readonly message: string
  /** Of a line of which only the beginning was kept: its whole length in bytes, and the hash of all of it. */
  readonly length?: number
  readonly digest?: string
}
