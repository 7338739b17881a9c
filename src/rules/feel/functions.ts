/**
 * Functions that FEEL brings along (OMG DMN 1.5, section 10.3.4), as far as decision tables use them. Arguments that a
 * function cannot take give null, as the standard asks. Regular expressions, time zones by name and rounding modes are
 * not among them: a name that is not here is no function, and calling it gives null.
 */
import {
  absolute,
  add,
  compare,
  type Decimal,
  decimal,
  divide,
  formatDecimal,
  multiply,
  parseDecimal,
  round,
} from '../../exact/decimal.ts'
import { joined, readAnyTemporal, readTemporal, temporalFrom } from './temporal.ts'
import {
  compare as compareValues,
  equal,
  type FeelFunction,
  type FeelValue,
  isList,
  isNumber,
  isTemporal,
} from './values.ts'

type Call = (...given: readonly FeelValue[]) => FeelValue

/** Of a list, or of the arguments themselves. */
function listOf(given: readonly FeelValue[]): readonly FeelValue[] {
  const [first] = given
  return given.length === 1 && first !== undefined && isList(first) ? first : given
}

function numbersIn(given: readonly FeelValue[]): readonly Decimal[] | null {
  const list = listOf(given)
  const numbers = list.filter(isNumber)
  return numbers.length === list.length && numbers.length > 0 ? numbers : null
}

function extreme(given: readonly FeelValue[], side: -1 | 1): FeelValue {
  const [first = null, ...others] = listOf(given)
  let chosen = first
  for (const other of others) {
    const order = compareValues(other, chosen)
    if (order === null) return null
    if (order === side) chosen = other
  }
  return kindHasOrder(chosen) ? chosen : null
}

function kindHasOrder(value: FeelValue): boolean {
  return isNumber(value) || typeof value === 'string' || isTemporal(value)
}

function sum(numbers: readonly Decimal[]): Decimal {
  return numbers.reduce(add)
}

function onText(call: (text: string) => FeelValue): Call {
  return (text) => (typeof text === 'string' ? call(text) : null)
}

function onTexts(call: (text: string, other: string) => FeelValue): Call {
  return (text, other) => (typeof text === 'string' && typeof other === 'string' ? call(text, other) : null)
}

function onList(call: (list: readonly FeelValue[], ...given: readonly FeelValue[]) => FeelValue): Call {
  return (list, ...given) => (list === null || list === undefined ? null : call(isList(list) ? list : [list], ...given))
}

/** Whole part of a number, towards less. */
function floorOf(value: Decimal, places = 0): Decimal {
  const scaled = BigInt(value.coefficient)
  const dropped = value.scale - places
  if (dropped <= 0) return value
  const unit = 10n ** BigInt(dropped)
  const kept = scaled / unit - (scaled % unit < 0n ? 1n : 0n)
  return parseDecimal(places > 0 ? placed(kept, places) : `${kept}`) ?? value
}

function placed(coefficient: bigint, places: number): string {
  const digits = `${coefficient < 0n ? -coefficient : coefficient}`.padStart(places + 1, '0')
  return `${coefficient < 0n ? '-' : ''}${digits.slice(0, -places)}.${digits.slice(-places)}`
}

function negated(value: Decimal): Decimal {
  return { coefficient: value.coefficient === 0 ? 0 : -value.coefficient, scale: value.scale }
}

/** A count of places or a position, where the value is a small whole number. */
function wholeOf(value: FeelValue | undefined): number | null {
  return isNumber(value) && value.scale === 0 && typeof value.coefficient === 'number' ? value.coefficient : null
}

/** To so many decimal places, half to even (DMN 1.5, `decimal`). */
function roundedTo(value: Decimal, places: number): Decimal | null {
  if (places < 0 || places > 34) return null
  const below = floorOf(value, places)
  const step = divide(decimal(1), decimal(`1${'0'.repeat(Math.min(places, 29))}`))
  const above = add(below, step)
  const [down, up] = [absolute(add(value, negated(below))), absolute(add(above, negated(value)))]
  const side = compare(down, up)
  if (side !== 0) return side < 0 ? below : above
  const lastDigit = formatDecimal(below).replace('-', '').split('.')
  const shown = places === 0 ? lastDigit[0] : (lastDigit[1] ?? '').padEnd(places, '0')
  return Number(shown?.at(-1) ?? 0) % 2 === 0 ? below : above
}

function substring(text: string, from: number, length: number | undefined): FeelValue {
  const characters = [...text]
  if (from === 0 || Math.abs(from) > characters.length) return null
  const begin = from > 0 ? from - 1 : characters.length + from
  return characters.slice(begin, length === undefined ? undefined : begin + length).join('')
}

/** True, false or null over a list of truth values, as `and` and `or` take them. */
function quantified(given: readonly FeelValue[], decisive: boolean): FeelValue {
  let unknown = false
  for (const value of listOf(given)) {
    if (value === decisive) return decisive
    if (typeof value !== 'boolean') unknown = true
  }
  return unknown ? null : !decisive
}

const calls: Readonly<Record<string, Call>> = {
  min: (...given) => extreme(given, -1),
  max: (...given) => extreme(given, 1),
  sum: (...given) => {
    const numbers = numbersIn(given)
    return numbers && sum(numbers)
  },
  mean: (...given) => {
    const numbers = numbersIn(given)
    return numbers && divide(sum(numbers), decimal(numbers.length))
  },
  count: onList((list) => decimal(list.length)),
  all: (...given) => quantified(given, false),
  any: (...given) => quantified(given, true),
  not: (value) => (typeof value === 'boolean' ? !value : null),
  is: (a = null, b = null) => equal(a, b) === true,
  abs: (value) => (isNumber(value) ? absolute(value) : null),
  floor: (value) => (isNumber(value) ? floorOf(value) : null),
  ceiling: (value) => (isNumber(value) ? negated(floorOf(negated(value))) : null),
  decimal: (value, places) => {
    const count = wholeOf(places)
    return isNumber(value) && count !== null ? roundedTo(value, count) : null
  },
  modulo: (value, by) => {
    if (!isNumber(value) || !isNumber(by) || by.coefficient === 0) return null
    const times = floorOf(divide(value, by))
    const product = parseDecimal(`${BigInt(times.coefficient) * BigInt(by.coefficient)}`)
    const scaled = product && { coefficient: product.coefficient, scale: by.scale }
    return scaled ? add(value, negated(scaled)) : null
  },
  number: onText((text) => parseDecimal(text) ?? null),
  string: (value) =>
    typeof value === 'string'
      ? value
      : isNumber(value)
        ? formatDecimal(value)
        : typeof value === 'boolean'
          ? `${value}`
          : null,
  'string length': onText((text) => decimal([...text].length)),
  'upper case': onText((text) => text.toUpperCase()),
  'lower case': onText((text) => text.toLowerCase()),
  contains: onTexts((text, part) => text.includes(part)),
  'starts with': onTexts((text, part) => text.startsWith(part)),
  'ends with': onTexts((text, part) => text.endsWith(part)),
  'substring before': onTexts((text, part) => (text.includes(part) ? text.slice(0, text.indexOf(part)) : '')),
  'substring after': onTexts((text, part) => (text.includes(part) ? text.slice(text.indexOf(part) + part.length) : '')),
  substring: (text, from, length) => {
    const [begin, count] = [wholeOf(from), length === undefined ? undefined : wholeOf(length)]
    return typeof text === 'string' && begin !== null && count !== null ? substring(text, begin, count) : null
  },
  'list contains': onList((list, value = null) => list.some((item) => equal(item, value) === true)),
  append: onList((list, ...more) => [...list, ...more]),
  concatenate: (...lists) => lists.flatMap((list) => (isList(list) ? list : [list])),
  reverse: onList((list) => list.toReversed()),
  union: (...lists) => distinct(lists.flatMap((list) => (isList(list) ? list : [list]))),
  'distinct values': onList(distinct),
  'index of': onList((list, value = null) =>
    list.flatMap((item, index) => (equal(item, value) === true ? [decimal(index + 1)] : [])),
  ),
  sort: onList(sorted),
  flatten: onList((list) => flat(list)),
  sublist: onList((list, from, length) => {
    const [begin, count] = [wholeOf(from), length === undefined ? list.length : wholeOf(length)]
    if (begin === null || begin === 0 || Math.abs(begin) > list.length || count === null || count < 0) return null
    const start = begin > 0 ? begin - 1 : list.length + begin
    return list.slice(start, start + count)
  }),
  'insert before': onList((list, place, value = null) => {
    const index = placeIn(list, place)
    return index === null ? null : list.toSpliced(index, 0, value)
  }),
  remove: onList((list, place) => {
    const index = placeIn(list, place)
    return index === null ? null : list.toSpliced(index, 1)
  }),
  'string join': onList((list, between = '') => {
    const texts = list.filter((item) => typeof item === 'string')
    return typeof between === 'string' && texts.length === list.length ? texts.join(between) : null
  }),
  product: (...given) => {
    const numbers = numbersIn(given)
    return numbers === null ? null : numbers.reduce((product, one) => round(multiply(product, one), 34))
  },
  'get value': (context, name) =>
    typeof name === 'string' &&
    typeof context === 'object' &&
    context !== null &&
    'entries' in context &&
    !isList(context)
      ? (context.entries.get(name) ?? null)
      : null,
  date: (value = null, month, day) => {
    if (typeof value === 'string') return readTemporal('date', value)
    const parts = [wholeOf(value), wholeOf(month), wholeOf(day)]
    if (parts.some((part) => part === null)) return temporalFrom('date', value)
    const [year, ...rest] = parts.map((part) => `${part}`.padStart(2, '0'))
    return readTemporal('date', [year?.padStart(4, '0'), ...rest].join('-'))
  },
  time: (value = null) => (typeof value === 'string' ? readTemporal('time', value) : temporalFrom('time', value)),
  'date and time': (value = null, time) => {
    if (typeof value === 'string') return readTemporal('date and time', value)
    const date = temporalFrom('date', value)
    if (isTemporal(time) && time.kind === 'time') return date && joined(date, time)
    return temporalFrom('date and time', value)
  },
  duration: onText(
    (text) => readTemporal('years and months duration', text) ?? readTemporal('days and time duration', text),
  ),
}

/** In the order that a function of two items says; by their own order without one. */
function sorted(list: readonly FeelValue[], precedes?: FeelValue): FeelValue {
  const goesBefore = (a: FeelValue, b: FeelValue): boolean => {
    if (precedes === undefined) return compareValues(a, b) === -1
    return isFunction(precedes) && precedes.call([a, b]) === true
  }
  return list.toSorted((a, b) => (goesBefore(a, b) ? -1 : goesBefore(b, a) ? 1 : 0))
}

function isFunction(value: FeelValue): value is FeelFunction {
  return typeof value === 'object' && value !== null && 'call' in value
}

function flat(list: readonly FeelValue[]): FeelValue[] {
  return list.flatMap((item) => (isList(item) ? flat(item) : [item]))
}

/** The index of a place counted from 1, or from the end where it is negative; null where the list has no such place. */
function placeIn(list: readonly FeelValue[], place: FeelValue | undefined): number | null {
  const count = wholeOf(place)
  if (count === null || count === 0 || Math.abs(count) > list.length) return null
  return count > 0 ? count - 1 : list.length + count
}

function distinct(list: readonly FeelValue[]): FeelValue[] {
  const kept: FeelValue[] = []
  for (const item of list) if (!kept.some((other) => equal(item, other) === true)) kept.push(item)
  return kept
}

/** Every function by its name. */
export const feelFunctions: ReadonlyMap<string, FeelFunction> = new Map(
  Object.entries(calls).map(([name, call]) => [
    name,
    { kind: 'function', parameters: undefined, call: (given) => call(...given) },
  ]),
)

/** What `@"..."` stands for. */
export function atLiteral(text: string): FeelValue {
  return readAnyTemporal(text)
}
