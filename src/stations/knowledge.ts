/**
 * Dated facts may be recorded late, so each has two instants: the one it speaks of, and the one at which it was
 * recorded. A question about the past is asked under a *view*: all facts known now, or only those recorded by some
 * instant. What adds a fact late then settles what it allows, and what takes one away late refuses nothing that was
 * tested before it was recorded.
 */
export interface Recorded {
  /** Milliseconds since the epoch, by the clock of the act that recorded it. */
  readonly recordedAt: number
}

/** Whether a fact belongs to the view: everything where `knownBy` is undefined, else what was recorded by then. */
export function isKnown(fact: Recorded, knownBy: number | undefined): boolean {
  return knownBy === undefined || fact.recordedAt <= knownBy
}
