import { isZero } from '../exact/decimal.ts'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { Verdict } from '../judging/words.ts'
import { Problem } from '../platform/problems.ts'
import type { EditionKey } from '../rules/record.ts'
import { canonicalOf } from '../stations/uncertainty.ts'
import type { AsFound, CalibrationAnswer } from '../stations/words.ts'
import type { ShipState } from '../units/event-words.ts'
import {
  type Question,
  type Study,
  type StudyFailure,
  type StudyFinding,
  type StudyState,
  studyFailures,
} from './words.ts'

/**
 * What a question came to when it was asked; kept with the study, so that it means the same to its end. Instants are
 * milliseconds since the epoch; a run counts where it started in [from, until) and was received by `receivedBy`.
 */
export type Scope = Window & (RevisionScope | InstrumentScope | EditionScope)

interface Window {
  readonly from: number
  readonly until: number
  readonly receivedBy: number
}

export interface RevisionScope {
  readonly kind: 'revision-change'
  readonly plan: string
  readonly revision: number
  readonly to: number
  /** Of both contents: a draft may be changed under a study, which then ends. */
  readonly fromDigest: string
  readonly toDigest: string
}

export interface InstrumentScope {
  readonly kind: 'calibration-error'
  readonly instrument: string
  /** Those found out of tolerance, each with the instant from which its kind is in doubt. */
  readonly errors: readonly { readonly since: number; readonly asFound: AsFound }[]
}

export interface EditionScope extends EditionKey {
  readonly kind: 'edition-change'
  readonly digest: string
  readonly bindsBecause: string | null
  /** Published editions of other tables that may take a demand out of it. */
  readonly beside: readonly EditionKey[]
}

/**
 * The errors that a calibration found out of tolerance. Each kind is in doubt since the last earlier calibration that did
 * not find it out of tolerance; nothing was tested before 1970. `earlier` in the order in which they were performed.
 */
export function errorsInDoubt(
  calibration: Pick<CalibrationAnswer, 'asFound'>,
  earlier: readonly Pick<CalibrationAnswer, 'asFound' | 'performedAt'>[],
): InstrumentScope['errors'] {
  return calibration.asFound
    .filter(({ error, toleranceMet }) => !toleranceMet && !isZero(canonicalOf(error.value, error.unit)))
    .map((asFound) => {
      const good = earlier.findLast(
        (one) => !one.asFound.some(({ kind, toleranceMet }) => kind === asFound.kind && !toleranceMet),
      )
      return { asFound, since: good === undefined ? 0 : Date.parse(good.performedAt) }
    })
}

/** The place of a run in the order in which studies go through them. */
export interface RunPlace {
  readonly site: string
  readonly startedAt: number
  readonly runId: string
}

export interface StudyRecord {
  readonly study: string
  readonly question: Question
  readonly scope: Scope
  readonly state: StudyState
  readonly failure: StudyFailure | null
  readonly total: number
  readonly done: number
  readonly found: number
  /** How far it came: while it is queued in counting, then in judging. */
  readonly cursor: RunPlace | null
  readonly digest: string
  readonly recordedAt: number
  readonly recordedBy: string
  readonly endedAt: number | null
}

export interface AssessmentRecord {
  readonly study: string
  readonly digest: string
  readonly conclusion: string
  readonly meaning: string
  readonly recordedAt: number
  readonly recordedBy: string
}

export interface CountRow {
  readonly study: string
  readonly site: string
  readonly product: string
  readonly shipState: ShipState
  readonly verdictBefore: Verdict
  readonly verdictAfter: Verdict
  readonly count: number
}

/** Where a list of studies goes on: when one was asked, in milliseconds since the epoch, and its key. */
export type StudyPlace = readonly [askedAt: number, study: string]

/** Where a list of findings goes on: the share as the database writes it, and the number in the study. */
export type FindingPlace = readonly [beyond: string, ordinal: number]

/** A finding with what it is ranked by. */
export interface FindingRow {
  readonly finding: StudyFinding
  readonly beyond: string
}

export function isFinal(state: StudyState): boolean {
  return state !== 'queued' && state !== 'running'
}

export function studyNotFound(study: string): Problem {
  return new Problem('study-not-found', { detail: `There is no study ${study}.` })
}

/** A study as it is answered, but for the counts. */
export type StudyUncounted = Omit<Study, 'counts'>

export function writeStudy(record: StudyRecord, assessment: AssessmentRecord | undefined): StudyUncounted {
  const { study, question, state, failure, total, done, found, digest } = record
  return {
    study,
    question,
    state,
    failure: failure && studyFailures[failure],
    total,
    done,
    found,
    digest,
    askedAt: writeInstant(record.recordedAt),
    askedBy: record.recordedBy,
    endedAt: writeInstantOrNull(record.endedAt),
    assessment:
      assessment === undefined
        ? null
        : {
            digest: assessment.digest,
            conclusion: assessment.conclusion,
            meaning: assessment.meaning,
            assessedAt: writeInstant(assessment.recordedAt),
            assessedBy: assessment.recordedBy,
          },
  }
}
