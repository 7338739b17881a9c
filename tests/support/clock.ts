import { type FixedClock, fixedClock, type ShiftedClock, shiftedClock } from '../../src/platform/clock.ts'

/** Milliseconds since the epoch of an instant as tests write it, `2026-03-16T09:14:39.930Z`. Throws on nonsense. */
export function instant(text: string): number {
  const at = Date.parse(text)
  if (Number.isNaN(at)) throw new RangeError(`not an instant: ${text}`)
  return at
}

/** A clock standing still at `text`; move it by `clock.at = instant(...)` or `clock.at += 1`. */
export function clockAt(text: string): FixedClock {
  return fixedClock(instant(text))
}

/** A clock that shows `text` now and runs on from there. */
export function clockFrom(text: string): ShiftedClock {
  return shiftedClock(instant(text) - Date.now())
}
