import { z } from 'zod'

/**
 * Instants are numbers: milliseconds since 1970-01-01T00:00:00Z, days of 86,400 s, no leap seconds. On the wire they
 * are RFC 3339 with offset, in years 0000 to 9999.
 */

const MS_PER_DAY = 86_400_000
const MS_PER_HOUR = 3_600_000
const MS_PER_MINUTE = 60_000
const TEXT_LENGTH_MAX = 64

/** Days from 1970-01-01 in the Gregorian calendar, counted from 1 March so that the leap day ends the year. */
function daysSinceEpoch(year: number, month: number, day: number): number {
  const shifted = month > 2 ? year : year - 1
  const era = Math.floor(shifted / 400)
  const yearOfEra = shifted - era * 400
  const dayOfYear = Math.floor((153 * (month > 2 ? month - 3 : month + 9) + 2) / 5) + day - 1
  const dayOfEra = yearOfEra * 365 + Math.floor(yearOfEra / 4) - Math.floor(yearOfEra / 100) + dayOfYear
  return era * 146_097 + dayOfEra - 719_468 // 719,468 days from 0000-03-01 to 1970-01-01.
}

function daysInMonth(year: number, month: number): number {
  if (month === 2) return year % 4 === 0 && (year % 100 !== 0 || year % 400 === 0) ? 29 : 28
  return month === 4 || month === 6 || month === 9 || month === 11 ? 30 : 31
}

function isDate(year: number, month: number, day: number): boolean {
  return month >= 1 && month <= 12 && day >= 1 && day <= daysInMonth(year, month)
}

/** The first and last instants that RFC 3339 can write in UTC. */
const INSTANT_LEAST = daysSinceEpoch(0, 1, 1) * MS_PER_DAY
const INSTANT_MOST = daysSinceEpoch(10_000, 1, 1) * MS_PER_DAY - 1

/** The number in `count` digits at a place; NaN where they are no digits. */
function digitsAt(text: string, at: number, count: number): number {
  let number = 0
  for (let index = at; index < at + count; index += 1) {
    const code = text.charCodeAt(index)
    if (!(code >= 48 && code <= 57)) return Number.NaN
    number = number * 10 + (code - 48)
  }
  return number
}

/** Whether the character at a place is this letter, in either case. */
function isLetterAt(text: string, at: number, lower: number): boolean {
  return (text.charCodeAt(at) | 32) === lower
}

export type InstantRead = { readonly at: number } | { readonly refused: 'offset-missing' | 'field-invalid' }

/**
 * Reads RFC 3339 with its offset. Digits finer than a millisecond are cut off, so that the instant never moves into
 * the future. A date and time without an offset is `offset-missing`, because at the change to winter time it would
 * name two instants; a date that no calendar has, a leap second, or an instant whose UTC year is not 0000 to 9999 is
 * `field-invalid`.
 */
export function readInstant(text: unknown): InstantRead {
  if (typeof text !== 'string' || text.length > TEXT_LENGTH_MAX) return { refused: 'field-invalid' }
  const year = digitsAt(text, 0, 4)
  const month = digitsAt(text, 5, 2)
  const day = digitsAt(text, 8, 2)
  const hour = digitsAt(text, 11, 2)
  const minute = digitsAt(text, 14, 2)
  const second = digitsAt(text, 17, 2)
  const separated =
    text.charCodeAt(4) === 45 &&
    text.charCodeAt(7) === 45 &&
    isLetterAt(text, 10, 116) &&
    text.charCodeAt(13) === 58 &&
    text.charCodeAt(16) === 58
  // Comparisons with NaN are false, so a place without digits fails here.
  if (!(separated && year >= 0 && isDate(year, month, day) && hour <= 23 && minute <= 59 && second <= 59)) {
    return { refused: 'field-invalid' }
  }

  let at = 19
  let ms = 0
  if (text.charCodeAt(at) === 46) {
    let place = 100
    at += 1
    const from = at
    for (let digit = digitsAt(text, at, 1); digit >= 0; digit = digitsAt(text, at, 1)) {
      if (place >= 1) ms += digit * place
      place /= 10
      at += 1
    }
    if (at === from) return { refused: 'field-invalid' }
  }
  if (at === text.length) return { refused: 'offset-missing' }

  let offset = 0
  if (isLetterAt(text, at, 122)) {
    at += 1
  } else {
    const sign = text.charCodeAt(at)
    const hours = digitsAt(text, at + 1, 2)
    const minutes = digitsAt(text, at + 4, 2)
    const proper = (sign === 43 || sign === 45) && text.charCodeAt(at + 3) === 58 && hours <= 23 && minutes <= 59
    if (!proper) return { refused: 'field-invalid' }
    offset = (sign === 43 ? 1 : -1) * (hours * MS_PER_HOUR + minutes * MS_PER_MINUTE)
    at += 6
  }
  if (at !== text.length) return { refused: 'field-invalid' }

  const instant =
    daysSinceEpoch(year, month, day) * MS_PER_DAY +
    hour * MS_PER_HOUR +
    minute * MS_PER_MINUTE +
    second * 1000 +
    ms -
    offset
  return instant < INSTANT_LEAST || instant > INSTANT_MOST ? { refused: 'field-invalid' } : { at: instant }
}

/** Writes an instant in UTC with milliseconds: 2026-03-16T09:14:39.930Z. RangeError outside the years 0000 to 9999. */
export function writeInstant(at: number): string {
  if (!Number.isSafeInteger(at) || at < INSTANT_LEAST || at > INSTANT_MOST) throw new RangeError(`${at} is no instant`)
  return new Date(at).toISOString()
}

/** Writes an instant that may be open or unknown. */
export function writeInstantOrNull(at: number | null): string | null {
  return at === null ? null : writeInstant(at)
}

/** An instant on the wire. An issue carries `params.refused`, `offset-missing` or `field-invalid`. */
export const InstantWire = z
  .string()
  .superRefine((text, context) => {
    const read = readInstant(text)
    if ('at' in read) return
    const missing = read.refused === 'offset-missing'
    context.addIssue({
      code: 'custom',
      params: read,
      message: missing ? 'the offset from UTC is missing' : 'not an instant of RFC 3339 with offset',
    })
  })
  .meta({ format: 'date-time', maxLength: TEXT_LENGTH_MAX })

/** Whether text is a date of the calendar, YYYY-MM-DD, from the year 0001 on. */
export function isLocalDate(text: string): boolean {
  const year = digitsAt(text, 0, 4)
  const separated = text.length === 10 && text.charCodeAt(4) === 45 && text.charCodeAt(7) === 45
  return separated && year >= 1 && isDate(year, digitsAt(text, 5, 2), digitsAt(text, 8, 2))
}

/** A day of the calendar without a zone, as a calibration is due on. */
export const LocalDateWire = z.string().refine(isLocalDate, 'not a date YYYY-MM-DD').meta({ format: 'date' })

/** One formatter a zone; making one takes some 50 microseconds. The zones are those of sites, so they are few. */
const formatters = new Map<string, Intl.DateTimeFormat>()

function formatterOf(timeZone: string): Intl.DateTimeFormat {
  const kept = formatters.get(timeZone)
  if (kept !== undefined) return kept
  const made = new Intl.DateTimeFormat('en-US', {
    timeZone,
    calendar: 'iso8601',
    hourCycle: 'h23',
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    hour: '2-digit',
    minute: '2-digit',
    second: '2-digit',
  })
  formatters.set(timeZone, made)
  return made
}

/** Names of the IANA time zone database only: `Europe/London`, not `+01:00`. */
const ZONE_NAME = /^[A-Za-z][A-Za-z0-9_+/-]{0,63}$/

/** Whether the name is a time zone of the IANA database that this process knows. */
export function isTimeZone(name: string): boolean {
  if (!ZONE_NAME.test(name)) return false
  try {
    // Not kept: a stranger's spellings must not fill the memory.
    return new Intl.DateTimeFormat('en-US', { timeZone: name }).resolvedOptions().timeZone.length > 0
  } catch (error) {
    if (error instanceof RangeError) return false
    throw error
  }
}

/** What the zone's local clock shows minus UTC, in milliseconds, at a whole second. */
function offsetAt(at: number, timeZone: string): number {
  const shown = new Map<string, number>()
  for (const { type, value } of formatterOf(timeZone).formatToParts(at)) shown.set(type, Number(value))
  const part = (type: string): number => shown.get(type) ?? Number.NaN
  const days = daysSinceEpoch(part('year'), part('month'), part('day'))
  const local = days * MS_PER_DAY + part('hour') * MS_PER_HOUR + part('minute') * MS_PER_MINUTE + part('second') * 1000
  return local - at
}

/**
 * The first instant of the local day after `date` in a zone: what is due on a date holds until just before it. Where
 * clocks change at midnight the next day may begin at 01:00, or only the second time that midnight comes. RangeError
 * where the date or the zone is none.
 */
export function endOfLocalDay(date: string, timeZone: string): number {
  const name = `${date} ${timeZone}`
  const known = ends.get(name)
  if (known !== undefined) return known
  const end = computeEnd(date, timeZone)
  if (ends.size >= ENDS_MAX) ends.clear()
  ends.set(name, end)
  return end
}

/** Ends computed before: asking a zone costs microseconds, and every upload asks for that of its calibration. */
const ends = new Map<string, number>()
const ENDS_MAX = 10_000

function computeEnd(date: string, timeZone: string): number {
  if (!isLocalDate(date)) throw new RangeError(`'${date}' is not a date`)
  const days = daysSinceEpoch(digitsAt(date, 0, 4), digitsAt(date, 5, 2), digitsAt(date, 8, 2)) + 1
  const midnight = days * MS_PER_DAY // As if the zone were UTC; no zone is a whole day away from it.
  let before = midnight - MS_PER_DAY
  let after = midnight + MS_PER_DAY
  const offsetBefore = offsetAt(before, timeZone)
  const offsetAfter = offsetAt(after, timeZone)
  const midnightBefore = midnight - offsetBefore
  if (offsetBefore === offsetAfter) return midnightBefore
  while (after - before > 1000) {
    const middle = Math.floor((before + after) / 2000) * 1000
    if (offsetAt(middle, timeZone) === offsetBefore) before = middle
    else after = middle
  }
  const change = after
  return midnightBefore < change ? midnightBefore : Math.max(change, midnight - offsetAfter)
}
