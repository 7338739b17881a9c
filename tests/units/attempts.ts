import type { AttemptWorth } from '../../src/units/fold.ts'
import type { Attempt } from '../../src/units/words.ts'
import { instant } from '../support/clock.ts'

/** An instant of 16 March 2026 in UTC, written `09:14`. */
export function at(time: string): number {
  return instant(`2026-03-16T${time}:00.000Z`)
}

/** Worth of a run that rests on everything, before a check has closed its bracket. */
export const sound: AttemptWorth = {
  suspect: false,
  suspectKinds: [],
  suspectSteps: [],
  isClosed: false,
  isSupported: true,
}
/** Of one that lost its support. */
export const doubted: AttemptWorth = { ...sound, suspect: true }

let made = 0

/**
 * One row of the history of a dust extractor's unit: by default an accepted production run of the final test that
 * passed at 09:00. Each has a run id and an upload key of its own.
 */
export function attempt(parts: Partial<Attempt> = {}): Attempt {
  made += 1
  const number = String(made).padStart(7, '0')
  const startedAt = parts.startedAt ?? at('09:00')
  return {
    site: 'leeds',
    station: 'LDS-F2',
    uploadKey: `LDS-F2:${number}`,
    runId: `019cf5ed-0fba-7c3e-9d41-${number.padStart(12, '0')}`,
    startedAt,
    sequenceNumber: made,
    receivedAt: startedAt + 35_000,
    outcome: 'accepted',
    codes: [],
    purpose: 'production',
    verdict: 'pass',
    correctedFrom: null,
    concession: null,
    person: 'P-0417',
    operation: 'final',
    variant: 'EX36-3M',
    plan: 'ex36-final',
    revision: 7,
    instrument: 'INS-0031',
    programming: 'PG-0192',
    attemptCause: null,
    reportedFailure: false,
    steps: null,
    ...parts,
  }
}

/** A test whose failure the station reported, but which was rejected. */
export function rejectedFailure(parts: Partial<Attempt> = {}): Attempt {
  return attempt({ outcome: 'rejected', codes: ['revision-stale'], verdict: null, reportedFailure: true, ...parts })
}
