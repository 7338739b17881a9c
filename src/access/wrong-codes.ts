/**
 * Slows down guessing: six digits in three steps are found by chance within a few hundred thousand tries. RFC 4226
 * section 7.3 asks for a limit. It is counted per process, so several processes allow as many times more; the key is
 * needed to guess at all.
 */

const WRONG_MAX = 5
const WINDOW_MS = 300_000

export interface WrongCodes {
  /** Milliseconds until this person's codes are looked at again; 0 where they are now. */
  waitMs(person: string, at: number): number
  recordWrong(person: string, at: number): void
  clear(person: string): void
}

/** Counts wrong codes: after five within five minutes none is looked at until the window has passed. */
export function wrongCodes(): WrongCodes {
  const counts = new Map<string, { count: number; since: number }>()
  const inWindow = (person: string, at: number) => {
    const known = counts.get(person)
    // A clock set back must not lock anyone out for longer than one window.
    return known !== undefined && at >= known.since && at < known.since + WINDOW_MS ? known : undefined
  }
  return {
    waitMs(person, at) {
      const known = inWindow(person, at)
      return known !== undefined && known.count >= WRONG_MAX ? known.since + WINDOW_MS - at : 0
    },
    recordWrong(person, at) {
      const known = inWindow(person, at)
      counts.set(person, known === undefined ? { count: 1, since: at } : { count: known.count + 1, since: known.since })
    },
    clear(person) {
      counts.delete(person)
    },
  }
}
