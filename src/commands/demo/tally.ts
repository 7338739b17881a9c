import type { Answer } from '../../intake/answer-words.ts'

/** What the shift came to, counted from the answers themselves. */
export interface Totals {
  readonly accepted: number
  readonly held: number
  readonly rejected: number
  /** Verdicts of the accepted runs. */
  readonly pass: number
  readonly fail: number
  readonly invalid: number
  /** Of the rejected uploads, those under a revision no longer in force at the start of the test. */
  readonly stale: number
  /** Revisions that a rule stopped. */
  readonly blockedRevisions: number
  /** Uploads sent again that got their first answer. */
  readonly duplicateAnswers: number
  /** Uploads whose key had been used for other content. */
  readonly conflicts: number
  /** Units asked about at the release gate. */
  readonly releasable: number
  readonly notReleasable: number
}

/** Counts as the story goes on. */
export class Tally {
  #totals: { -readonly [Name in keyof Totals]: number } = {
    accepted: 0,
    held: 0,
    rejected: 0,
    pass: 0,
    fail: 0,
    invalid: 0,
    stale: 0,
    blockedRevisions: 0,
    duplicateAnswers: 0,
    conflicts: 0,
    releasable: 0,
    notReleasable: 0,
  }

  /** One answer to an upload. A repeat is the first answer again, so only the repetition counts. */
  countUpload({ repeated, outcome, verdict, codes }: Pick<Answer, 'repeated' | 'outcome' | 'verdict' | 'codes'>): void {
    if (repeated) {
      this.#totals.duplicateAnswers += 1
      return
    }
    this.#totals[outcome] += 1
    if (codes.some(({ code }) => code === 'revision-stale')) this.#totals.stale += 1
    if (outcome === 'accepted' && (verdict === 'pass' || verdict === 'fail' || verdict === 'invalid')) {
      this.#totals[verdict] += 1
    }
  }

  countConflict(): void {
    this.#totals.conflicts += 1
  }

  countBlockedRevision(): void {
    this.#totals.blockedRevisions += 1
  }

  countRelease(releasable: boolean): void {
    this.#totals[releasable ? 'releasable' : 'notReleasable'] += 1
  }

  totals(): Totals {
    return { ...this.#totals }
  }
}
