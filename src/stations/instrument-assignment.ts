import { isKnown, type Recorded } from './knowledge.ts'

/**
 * Which instrument stood at which station. Rows are only appended; the interval in which one counts is computed. An
 * instrument stands at one station at a time and a station has one instrument at a time, so a row ends at the earliest
 * of its own `until`, the next row of the station, and the next row of the instrument.
 */
export interface InstrumentAssignment extends Recorded {
  readonly station: string
  readonly instrument: string
  /** Milliseconds since the epoch. */
  readonly from: number
  /** Exclusive. Null: open, until a later row ends it. */
  readonly until: number | null
}

/** Half-open in milliseconds since the epoch; `until` null is open. Empty where `until` equals `from`. */
export interface Interval {
  readonly from: number
  readonly until: number | null
}

/** Whether an instant lies in the interval: the first instant does, the end does not. */
export function holds(interval: Interval, at: number): boolean {
  return interval.from <= at && (interval.until === null || at < interval.until)
}

/**
 * The stay of `instrument` at `station` that holds `at`, or undefined where it did not stand there. Rows that follow
 * each other without a gap are one stay: recording the same place again does not move the instrument. `assignments`
 * must hold every row of the station and every row of the instrument, in any order, doubled or not.
 */
export function holdsInstrument(
  assignments: readonly InstrumentAssignment[],
  place: { readonly station: string; readonly instrument: string },
  at: number,
  knownBy?: number,
): Interval | undefined {
  const known = assignments.filter(
    (row) => isKnown(row, knownBy) && (row.station === place.station || row.instrument === place.instrument),
  )
  const intervals = known
    .filter((row) => row.station === place.station && row.instrument === place.instrument)
    .map((row) => intervalOf(row, known))
    .filter((interval) => interval.until === null || interval.until > interval.from)
  const held = intervals.find((interval) => holds(interval, at))
  return held && joined(held, intervals)
}

/** The interval together with those that touch it on either side. */
function joined(interval: Interval, others: readonly Interval[]): Interval {
  let { from, until } = interval
  for (;;) {
    const before = others.find((other) => other.until === from)
    const after = until === null ? undefined : others.find((other) => other.from === until)
    if (before === undefined && after === undefined) return { from, until }
    if (before !== undefined) from = before.from
    if (after !== undefined) until = after.until
  }
}

/** The instrument at a station at an instant, with its stay there. `assignments` as for `holdsInstrument`. */
export function instrumentAt(
  assignments: readonly InstrumentAssignment[],
  station: string,
  at: number,
  knownBy?: number,
): { readonly instrument: string; readonly stay: Interval } | undefined {
  const instruments = new Set(assignments.filter((row) => row.station === station).map((row) => row.instrument))
  for (const instrument of instruments) {
    const stay = holdsInstrument(assignments, { station, instrument }, at, knownBy)
    if (stay !== undefined) return { instrument, stay }
  }
  return undefined
}

/** The interval in which a row counts among `others`, which are those of its station and of its instrument. */
function intervalOf(row: InstrumentAssignment, others: readonly InstrumentAssignment[]): Interval {
  let until = row.until
  for (const other of others) {
    if (!isLater(other, row)) continue
    if (until === null || other.from < until) until = other.from
  }
  return { from: row.from, until }
}

/** Of two rows that begin at one instant the one recorded later is the correction, and leaves the other empty. */
function isLater(one: InstrumentAssignment, other: InstrumentAssignment): boolean {
  if (one.from !== other.from) return one.from > other.from
  if (one.recordedAt !== other.recordedAt) return one.recordedAt > other.recordedAt
  if (one.instrument !== other.instrument) return one.instrument > other.instrument
  return one.station > other.station
}
