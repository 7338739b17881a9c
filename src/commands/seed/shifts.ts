import { endOfLocalDay } from '../../exact/time.ts'
import type { AttemptCause } from '../../judging/words.ts'
import { type Chance, chanceOf } from './chance.ts'
import type { Condition } from './readings.ts'
import { FIRST_DAY, HAPPENINGS, SITES, type TestLine } from './works.ts'

/** One unit put on the tester. */
export interface Visit {
  readonly line: TestLine
  readonly sequenceNumber: number
  /** Milliseconds since the epoch. */
  readonly startedAt: number
  readonly serial: string
  readonly variant: string
  readonly person: string
  readonly condition: Condition
  readonly filterLot: string | undefined
  readonly attemptCause: AttemptCause | undefined
  /** Tested under the revision that has just ended. */
  readonly citesPrevious: boolean
}

/** A unit that must come again. */
interface Retest {
  readonly serial: string
  readonly variant: string
  readonly filterLot: string | undefined
  readonly attemptCause: AttemptCause | undefined
  readonly notBefore: number
}

/** Where a line stands at the end of a day. */
export interface LineState {
  readonly sequence: number
  readonly units: number
  readonly retests: readonly Retest[]
}

export const LINE_BEGINS: LineState = { sequence: 7_000, units: 1_200, retests: [] }

const HOUR_MS = 3_600_000
const MINUTE_MS = 60_000
const DAY_MS = 24 * HOUR_MS

/** Hours of the site's day between which is tested; Saturday is short. */
const SHIFT = { fromHour: 6, toHour: 14 } as const
const SATURDAY_TO_HOUR = 10
const SATURDAY = 6
const SUNDAY = 0

/** Of sound production so many units have something wrong with them. */
const FAULT_SHARE = 0.012
const REWORK_MINUTES = 45

/** The local date of a day, counted from 0. */
export function dateOf(day: number): string {
  return new Date(Date.parse(`${FIRST_DAY}T00:00:00Z`) + day * DAY_MS).toISOString().slice(0, 10)
}

/** The instant at which an hour of the site's day begins. Clocks change at night, when nothing is tested. */
export function hourAt(site: TestLine['site'], day: number, hour: number): number {
  const timeZone = SITES.find((one) => one.site === site)?.timeZone ?? 'UTC'
  // The hour is counted back from midday's side of the night in which clocks may change.
  const end = endOfLocalDay(dateOf(day), timeZone)
  return end - (24 - hour) * HOUR_MS
}

/** When a line is at work on a day; undefined on Sundays. */
export function shiftOf(line: TestLine, day: number): { readonly from: number; readonly to: number } | undefined {
  const weekday = new Date(`${dateOf(day)}T00:00:00Z`).getUTCDay()
  if (weekday === SUNDAY) return undefined
  const toHour = weekday === SATURDAY ? SATURDAY_TO_HOUR : SHIFT.toHour
  return { from: hourAt(line.site, day, SHIFT.fromHour), to: hourAt(line.site, day, toHour) }
}

/** Everything tested at a line on one day, in the order of starts. The same each time it is asked. */
export function planDay(line: TestLine, day: number, before: LineState): { visits: Visit[]; after: LineState } {
  const shift = shiftOf(line, day)
  if (shift === undefined) return { visits: [], after: before }
  const chance = chanceOf(`${line.station} ${dateOf(day)}`)
  const visits: Visit[] = []
  let { sequence, units } = before
  const retests = [...before.retests]
  let isOldCited = false
  let at = shift.from + chance.about(10, 5) * MINUTE_MS
  for (; at < shift.to; at += chance.about(line.minutesEach, line.minutesEach / 4) * MINUTE_MS) {
    const startedAt = Math.floor(at)
    const due = retests.findIndex(({ notBefore }) => notBefore <= startedAt)
    const [again] = due < 0 ? [] : retests.splice(due, 1)
    sequence += 1
    if (again === undefined) units += 1
    const unit = again ?? newUnit(line, day, units)
    const citesPrevious = !isOldCited && isJustAfterRevision(line, day, startedAt)
    if (citesPrevious) isOldCited = true
    const condition = conditionOf(
      { line, day, startedAt, filterLot: unit.filterLot, isAgain: again !== undefined },
      chance,
    )
    visits.push({
      line,
      sequenceNumber: sequence,
      startedAt,
      serial: unit.serial,
      variant: unit.variant,
      filterLot: unit.filterLot,
      attemptCause: unit.attemptCause,
      person: isStranger(line, day, startedAt) ? HAPPENINGS.stranger.person : line.operator,
      condition,
      citesPrevious,
    })
    const cause = causeOfRetest(condition, citesPrevious)
    if (cause !== 'none') {
      const { serial, variant, filterLot } = unit
      const notBefore = condition.isLeadOpen ? endOfOpenLead(line) : startedAt + REWORK_MINUTES * MINUTE_MS
      retests.push({ serial, variant, filterLot: repaired(line, filterLot, condition), attemptCause: cause, notBefore })
    }
  }
  return { visits, after: { sequence, units, retests } }
}

function newUnit(line: TestLine, day: number, count: number): Omit<Retest, 'notBefore'> {
  const { badLot } = HAPPENINGS
  const isBadLot = line.station === badLot.station && day >= badLot.fromDay && day <= badLot.toDay
  return {
    serial: line.serial(count),
    variant: line.variants[count % line.variants.length] ?? '',
    filterLot: isBadLot ? badLot.lot : line.filterLot,
    attemptCause: undefined,
  }
}

/** A unit with a leaking filter gets one of another lot. */
function repaired(line: TestLine, filterLot: string | undefined, { fault }: Condition): string | undefined {
  return fault !== undefined && filterLot === HAPPENINGS.badLot.lot ? line.filterLot : filterLot
}

/** Why the unit comes again: `none` where it need not; undefined where what was sent is no attempt. */
function causeOfRetest({ fault, isLeadOpen }: Condition, citesPrevious: boolean): AttemptCause | undefined | 'none' {
  if (citesPrevious) return undefined
  if (isLeadOpen) return 'after-invalid'
  return fault === undefined ? 'none' : 'after-rework'
}

interface Moment {
  readonly line: TestLine
  readonly day: number
  readonly startedAt: number
  readonly filterLot: string | undefined
  readonly isAgain: boolean
}

function conditionOf({ line, day, startedAt, filterLot, isAgain }: Moment, chance: Chance): Condition {
  const { drift, badLot } = HAPPENINGS
  const isBadLot = filterLot === badLot.lot
  const worn = line.station === drift.station && day > drift.fromDay ? (day - drift.fromDay) * drift.aDay : 0
  // Drawn whether needed or not, so that one happening more does not shift the numbers after it.
  const isFaulty = chance.happens(isBadLot ? badLot.share : FAULT_SHARE) && !isAgain
  const which = chance.next()
  return {
    leakageFactor: 1 + worn + (isBadLot ? 0.18 : 0),
    isLeadOpen: isLeadOpen(line, startedAt),
    fault: isFaulty ? faultOf(line, which, isBadLot) : undefined,
  }
}

function faultOf(line: TestLine, which: number, isBadLot: boolean): Condition['fault'] {
  if (isBadLot) return which < 0.7 ? 'insulation' : 'breakdown'
  const hasBond = line.product.startsWith('EX') || line.product.startsWith('BC')
  if (hasBond && which < 0.5) return 'bond'
  return which < 0.75 ? 'breakdown' : 'insulation'
}

function isLeadOpen(line: TestLine, at: number): boolean {
  const { openLead } = HAPPENINGS
  return (
    line.station === openLead.station &&
    at >= hourAt(line.site, openLead.day, openLead.fromHour) &&
    at < endOfOpenLead(line)
  )
}

function endOfOpenLead(line: TestLine): number {
  return hourAt(line.site, HAPPENINGS.openLead.day, HAPPENINGS.openLead.toHour)
}

function isStranger(line: TestLine, day: number, at: number): boolean {
  const { stranger } = HAPPENINGS
  if (line.station !== stranger.station || day !== stranger.day) return false
  const from = hourAt(line.site, day, stranger.hour)
  return at >= from && at < from + HOUR_MS
}

function isJustAfterRevision(line: TestLine, day: number, at: number): boolean {
  const { revision } = HAPPENINGS
  return line.station === revision.station && day === revision.day && at >= hourAt(line.site, day, revision.hour)
}
