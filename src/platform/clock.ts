/**
 * The one clock. Every instant that decides something is the database's, read inside the transaction and passed through
 * this port, in whole milliseconds since the epoch. The real clock hands it on; tests and the demo script another, so
 * that history is loaded by running the real acts.
 */
export interface Clock {
  /** The instant to use where the database's clock says `databaseMs`. */
  read(databaseMs: number): number
}

/** The database's clock as it is. */
export const realClock: Clock = { read: (databaseMs) => databaseMs }

/** A clock that runs as the database's but stands apart from it. */
export interface ShiftedClock extends Clock {
  /** Milliseconds added to the database's clock; negative lies in the past. Set it to move the clock. */
  shiftMs: number
}

export function shiftedClock(shiftMs = 0): ShiftedClock {
  return {
    shiftMs,
    read(databaseMs) {
      return databaseMs + this.shiftMs
    },
  }
}

/** A clock that stands still until it is set. */
export interface FixedClock extends Clock {
  /** Milliseconds since the epoch. */
  at: number
}

export function fixedClock(at: number): FixedClock {
  return {
    at,
    read() {
      return this.at
    },
  }
}

/** Says when something was received, without asking the database each time. */
export interface ReceivedClock {
  /** Call with each answer of the gate: the database's own clock as just read, before any scripting. */
  observe(databaseMs: number): void
  /** The instant now, by the process's clock plus its offset to the database's, through the Clock. */
  now(): number
}

/** Observations that count. At line rate they are a fraction of a second, else minutes: clocks drift less in either. */
const OBSERVATIONS = 32
/** An offset that falls by more than this was not delayed: the process's clock was set. */
const STEP_MS = 2_000

/**
 * The offset is zero until the first observation. An answer takes time to arrive, so each observation errs towards the
 * past; the greatest of the last few errs least, and none names an instant still to come. A clock that was set is
 * followed at once.
 */
export function receivedClock(clock: Clock, processNow: () => number = Date.now): ReceivedClock {
  let observed: number[] = []
  let offsetMs = 0
  return {
    observe(databaseMs) {
      const offset = databaseMs - processNow()
      if (observed.length > 0 && offset < offsetMs - STEP_MS) observed = []
      observed = [...observed.slice(1 - OBSERVATIONS), offset]
      offsetMs = Math.max(...observed)
    },
    now: () => clock.read(Math.floor(processNow() + offsetMs)),
  }
}
