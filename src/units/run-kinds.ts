import { missingFactCodes } from '../judging/words.ts'
import type { Attempt } from './words.ts'

/** Whether a row of the history is a run, and not a failure reported in a rejected upload. */
export function isRun(attempt: Attempt): boolean {
  return attempt.outcome !== 'rejected'
}

/** Whether it counts itself: held, rejected, verification and engineering runs prove nothing. */
export function isCountedRun(attempt: Attempt): boolean {
  return attempt.outcome === 'accepted' && attempt.purpose === 'production'
}

export function isPass(attempt: Attempt): boolean {
  return isCountedRun(attempt) && (attempt.verdict === 'pass' || attempt.verdict === 'pass-under-permit')
}

/** Whether it failed, and leave was given all the same; a correction that makes it pass needs none. */
export function isConceded(attempt: Attempt): attempt is Attempt & { readonly concession: string } {
  return isCountedRun(attempt) && attempt.verdict === 'fail' && attempt.concession !== null
}

/** Whether it is held for want of facts alone, so that they settle it; all else waits for a later run. */
export function waitsForFacts({ outcome, codes }: Attempt): boolean {
  return outcome === 'held' && codes.length > 0 && codes.every((code) => missingFactCodes.has(code))
}
