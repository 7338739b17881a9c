/** Dates, times and lengths of time in FEEL, from their ISO 8601 text (OMG DMN 1.5, sections 10.3.2.3.4 to 10.3.2.3.8). */
import { add, type Decimal, decimal, multiply, negate, parseDecimal, subtract, ZERO } from '../../exact/decimal.ts'
import { type FeelTemporal, type FeelValue, isNumber, isTemporal, type TemporalKind } from './values.ts'

const DATE = /^(-?(?:[1-9]\d{3,8}|0\d{3}))-(\d\d)-(\d\d)$/
const TIME = /^(\d\d):(\d\d):(\d\d(?:\.\d{1,9})?)(Z|[+-]\d\d:\d\d(?::\d\d)?)?$/
const DAYS = /^(-?)P(?:(\d{1,9})D)?(?:T(?:(\d{1,9})H)?(?:(\d{1,9})M)?(?:(\d{1,9}(?:\.\d{1,9})?)S)?)?$/
const MONTHS = /^(-?)P(?:(\d{1,9})Y)?(?:(\d{1,9})M)?$/
const DAY_S = decimal(86_400)

/** A value of this kind; null where the text is none. */
export function readTemporal(kind: TemporalKind, text: string): FeelTemporal | null {
  switch (kind) {
    case 'date':
      return readDate(text)
    case 'time':
      return readTime(text)
    case 'date and time': {
      const [day = '', time, ...more] = text.split('T')
      const date = readDate(day)
      const ofDay = time === undefined ? readTime('00:00:00') : readTime(time)
      return date && ofDay && more.length === 0 ? joined(date, ofDay) : null
    }
    case 'days and time duration':
      return readDays(text)
    case 'years and months duration':
      return readMonths(text)
  }
}

/** A value of whichever kind the text is. */
export function readAnyTemporal(text: string): FeelTemporal | null {
  return (
    readDate(text) ??
    readTime(text) ??
    (text.includes('T') && !text.includes('P') ? readTemporal('date and time', text) : null) ??
    readMonths(text) ??
    readDays(text)
  )
}

function whole(text: string | undefined): number {
  return Number(text ?? 0)
}

function readDate(text: string): FeelTemporal | null {
  const [matched, year, month, day] = DATE.exec(text) ?? []
  return matched === undefined ? null : dateOf(whole(year), whole(month), whole(day))
}

/** A date of the proleptic Gregorian calendar; null where there is no such day. */
export function dateOf(year: number, month: number, day: number): FeelTemporal | null {
  if (month < 1 || month > 12 || day < 1 || day > daysIn(year, month)) return null
  const members: [string, FeelValue][] = [
    ['year', decimal(year)],
    ['month', decimal(month)],
    ['day', decimal(day)],
  ]
  return { kind: 'date', order: decimal(dayNumber(year, month, day)), isZoned: false, members: new Map(members) }
}

function daysIn(year: number, month: number): number {
  if (month === 2) return (year % 4 === 0 && year % 100 !== 0) || year % 400 === 0 ? 29 : 28
  return month === 4 || month === 6 || month === 9 || month === 11 ? 30 : 31
}

/** Days since 1 March of the year 0, which ends a leap day's year. */
function dayNumber(year: number, month: number, day: number): number {
  const shifted = month > 2 ? year : year - 1
  const monthFromMarch = (month + 9) % 12
  const leapDays = Math.floor(shifted / 4) - Math.floor(shifted / 100) + Math.floor(shifted / 400)
  return shifted * 365 + leapDays + Math.floor((monthFromMarch * 153 + 2) / 5) + day - 1
}

function readTime(text: string): FeelTemporal | null {
  const [matched, hour, minute, second = '', offset] = TIME.exec(text) ?? []
  const exact = parseDecimal(second.replace(/^0(?=\d)/, ''))
  if (matched === undefined || !exact || whole(hour) > 23 || whole(minute) > 59 || whole(second.slice(0, 2)) > 59) {
    return null
  }
  const members: [string, FeelValue][] = [
    ['hour', decimal(whole(hour))],
    ['minute', decimal(whole(minute))],
    ['second', exact],
  ]
  const order = add(decimal(whole(hour) * 3600 + whole(minute) * 60), exact)
  if (offset === undefined) return { kind: 'time', order, isZoned: false, members: new Map(members) }
  const [hours, minutes, seconds] = offset === 'Z' ? ['0', '0', '0'] : offset.slice(1).split(':')
  if (whole(hours) > 14 || whole(minutes) > 59 || whole(seconds) > 59) return null
  const size = decimal(whole(hours) * 3600 + whole(minutes) * 60 + whole(seconds))
  const signed = offset.startsWith('-') ? negate(size) : size
  members.push(['time offset', durationOfSeconds(signed)])
  return { kind: 'time', order: subtract(order, signed), isZoned: true, members: new Map(members) }
}

/** The instant of a date and a time of day. */
export function joined(date: FeelTemporal, time: FeelTemporal): FeelTemporal {
  const order = add(multiply(date.order, DAY_S), time.order)
  return { kind: 'date and time', order, isZoned: time.isZoned, members: new Map([...date.members, ...time.members]) }
}

function readDays(text: string): FeelTemporal | null {
  const [matched, sign, days, hours, minutes, seconds = '0'] = DAYS.exec(text) ?? []
  const exact = parseDecimal(seconds.replace(/^0+(?=\d)/, ''))
  if (matched === undefined || !exact || !/\d[DHMS]/.test(text) || text.endsWith('T')) return null
  const plain = decimal(whole(days) * 86_400 + whole(hours) * 3600 + whole(minutes) * 60)
  const size = add(plain, exact)
  return durationOfSeconds(sign === '-' ? negate(size) : size)
}

export function durationOfSeconds(seconds: Decimal): FeelTemporal {
  return { kind: 'days and time duration', order: seconds, isZoned: false, members: new Map() }
}

function readMonths(text: string): FeelTemporal | null {
  const [matched, sign, years, months] = MONTHS.exec(text) ?? []
  if (matched === undefined || !/\d[YM]/.test(text)) return null
  const size = whole(years) * 12 + whole(months)
  return durationOfMonths(sign === '-' ? -size : size)
}

function durationOfMonths(months: number): FeelTemporal {
  const members: [string, FeelValue][] = [
    ['years', decimal(Math.trunc(months / 12))],
    ['months', decimal(months % 12)],
  ]
  return { kind: 'years and months duration', order: decimal(months), isZoned: false, members: new Map(members) }
}

/** Sums and differences that need no calendar: of lengths of one kind, and the length between two dates or instants. */
export function temporalSum(operator: '+' | '-', a: FeelTemporal, b: FeelTemporal): FeelTemporal | null {
  const order = operator === '+' ? add(a.order, b.order) : subtract(a.order, b.order)
  if (a.kind === b.kind && a.isZoned === b.isZoned) {
    if (a.kind === 'days and time duration') return durationOfSeconds(order)
    if (a.kind === 'years and months duration') return durationOfMonths(Number(order.coefficient))
    if (operator === '+') return null
    return durationOfSeconds(a.kind === 'date' ? multiply(order, DAY_S) : order)
  }
  if (a.kind === 'date' && b.kind === 'years and months duration') {
    const months = Number(b.order.coefficient)
    return datePlusMonths(a, operator === '+' ? months : -months)
  }
  return null
}

function datePlusMonths({ members }: FeelTemporal, months: number): FeelTemporal | null {
  const numberOf = (name: string) => {
    const value = members.get(name)
    return isNumber(value) ? Number(value.coefficient) : 0
  }
  const count = numberOf('year') * 12 + numberOf('month') - 1 + months
  const [year, month] = [Math.floor(count / 12), (((count % 12) + 12) % 12) + 1]
  return dateOf(year, month, Math.min(numberOf('day'), daysIn(year, month)))
}

/** The part of a value that another kind of it is made from, as `date(instant)`; null where there is none. */
export function temporalFrom(kind: 'date' | 'time' | 'date and time', value: FeelValue): FeelTemporal | null {
  if (!isTemporal(value)) return null
  if (value.kind === kind) return value
  const numberOf = (name: string) => {
    const member = value.members.get(name)
    return isNumber(member) ? Number(member.coefficient) : Number.NaN
  }
  if (kind === 'time' || (value.kind !== 'date' && value.kind !== 'date and time')) return null
  const date = dateOf(numberOf('year'), numberOf('month'), numberOf('day'))
  if (kind === 'date' || !date) return date
  const midnight: FeelTemporal = { kind: 'time', order: ZERO, isZoned: false, members: new Map() }
  return joined(date, midnight)
}
