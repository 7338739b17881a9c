import { type ShiftedClock, shiftedClock } from '../../platform/clock.ts'

/** The shift is told from its start, six hours before now, to now. */
const SHIFT_MS = 6 * 3_600_000
const MINUTE_MS = 60_000

/** The scripted clock of one shift. It only ever goes forward, and has caught up with the real one at the end. */
export interface Shift {
  /** The service runs by this clock. */
  readonly clock: ShiftedClock
  /** When the shift began; milliseconds since the epoch. */
  readonly beganAt: number
  /** Now, by the scripted clock. */
  now(): number
  /** Lets time pass up to this minute of the shift; none where it has passed already. */
  until(minute: number): void
  /** Lets so many seconds pass. */
  pass(seconds: number): void
  /** From here on the scripted clock is the real one. */
  catchUp(): void
  /** How an instant is told: hours and minutes since the shift began, such as `1:05`. The same in every telling. */
  tell(at: number): string
}

export function beginShift(): Shift {
  const clock = shiftedClock(-SHIFT_MS)
  const now = () => clock.read(Date.now())
  const beganAt = now()
  const move = (byMs: number) => {
    // Never ahead of the real clock: what a station tested cannot lie in the future.
    clock.shiftMs = Math.min(0, clock.shiftMs + Math.max(0, byMs))
  }
  return {
    clock,
    beganAt,
    now,
    until: (minute) => move(beganAt + minute * MINUTE_MS - now()),
    pass: (seconds) => move(seconds * 1_000),
    catchUp: () => move(SHIFT_MS),
    tell(at) {
      const minutes = Math.floor((at - beganAt) / MINUTE_MS)
      return `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, '0')}`
    },
  }
}
