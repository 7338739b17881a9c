/**
 * Exact decimals: a whole coefficient and a count of decimal places, so that 0.1 is one tenth and nothing else.
 *
 * A coefficient that is a safe integer is held as a number, since almost every reading and limit is that small and
 * allocates no BigInt then; a greater one is held as a bigint. Every value has exactly one representation: no
 * trailing zeros behind the point, a bigint only beyond the safe integers, no negative zero.
 */

/** An exact decimal, `coefficient / 10^scale`. Callers treat it as opaque and use the functions of this file. */
export interface Decimal {
  readonly coefficient: number | bigint
  /** Decimal places, never negative. */
  readonly scale: number
}

/** Precision of division: the significant digits of decimal128 (IEEE 754), which DMN prescribes. */
const DIGITS_COMPUTED = 34

/** What a caller may write: more digits than any instrument shows, few enough that arithmetic stays cheap. */
const DIGITS_READ = 30
const EXPONENT_READ = 30
const TEXT_LENGTH_MAX = 72

/** Fifteen digits of any kind are a safe integer; the sixteenth may not be. */
const DIGITS_SAFE = 15

const SAFE = Number.MAX_SAFE_INTEGER
const SAFE_BIG = BigInt(Number.MAX_SAFE_INTEGER)
const POWERS = Array.from({ length: DIGITS_SAFE + 1 }, (_, exponent) => 10 ** exponent)
const POWERS_BIG = Array.from({ length: 128 }, (_, exponent) => 10n ** BigInt(exponent))

/** A power of ten as a number. Beyond the safe ones it is Infinity, which makes the caller's safety test fail. */
function power(exponent: number): number {
  return POWERS[exponent] ?? Number.POSITIVE_INFINITY
}

function powerBig(exponent: number): bigint {
  return POWERS_BIG[exponent] ?? 10n ** BigInt(exponent)
}

/**
 * INVARIANT: sound for sums and products of safe integers. A true result beyond the safe integers rounds to 2^53 or
 * more and so fails the test; NaN and Infinity fail it too.
 */
function isSafe(result: number): boolean {
  return result <= SAFE && result >= -SAFE
}

function fromSafe(coefficient: number, scale: number): Decimal {
  let shortened = coefficient
  let places = scale
  while (places > 0 && shortened % 10 === 0) {
    shortened /= 10
    places -= 1
  }
  return { coefficient: shortened === 0 ? 0 : shortened, scale: places } // The comparison turns -0 into 0.
}

function fromBig(coefficient: bigint, scale: number): Decimal {
  let shortened = coefficient
  let places = scale
  if (places < 0) {
    shortened *= powerBig(-places)
    places = 0
  }
  if (shortened <= SAFE_BIG && shortened >= -SAFE_BIG) return fromSafe(Number(shortened), places)
  while (places > 0 && shortened % 10n === 0n) {
    shortened /= 10n
    places -= 1
  }
  const nowSafe = shortened <= SAFE_BIG && shortened >= -SAFE_BIG
  return { coefficient: nowSafe ? Number(shortened) : shortened, scale: places }
}

/** The coefficient at a scale that is not smaller than the value's own. */
function coefficientAt(d: Decimal, scale: number): bigint {
  const coefficient = BigInt(d.coefficient)
  return scale === d.scale ? coefficient : coefficient * powerBig(scale - d.scale)
}

function isDigit(code: number): boolean {
  return code >= 48 && code <= 57
}

/** Reads a number whose plain digits did not fit the fast path: long, or with an exponent behind `mantissaEnd`. */
function parseLong(
  text: string,
  at: { start: number; mantissaEnd: number; places: number },
  digitsMax: number,
): Decimal | undefined {
  let exponent = 0
  if (at.mantissaEnd < text.length) {
    if ((text.charCodeAt(at.mantissaEnd) | 32) !== 101) return undefined // 'e' or 'E'
    const sign = text.charCodeAt(at.mantissaEnd + 1)
    const from = at.mantissaEnd + (sign === 43 || sign === 45 ? 2 : 1)
    if (from === text.length) return undefined
    for (let index = from; index < text.length; index += 1) if (!isDigit(text.charCodeAt(index))) return undefined
    exponent = Number(text.slice(from))
    if (exponent > EXPONENT_READ) return undefined
    if (sign === 45) exponent = -exponent
  }
  const digits = text.slice(at.start, at.mantissaEnd).replace('.', '').replace(/^0+/, '')
  if (digits.length > digitsMax) return undefined
  const coefficient = BigInt(digits)
  return fromBig(at.start === 1 ? -coefficient : coefficient, at.places - exponent)
}

function parse(text: string, digitsMax: number): Decimal | undefined {
  const length = text.length
  if (length > TEXT_LENGTH_MAX) return undefined
  const start = text.charCodeAt(0) === 45 ? 1 : 0
  let at = start
  let coefficient = 0 // Meaningful only while it is used, up to fifteen digits.
  let code = text.charCodeAt(at)
  while (code >= 48 && code <= 57) {
    coefficient = coefficient * 10 + (code - 48)
    at += 1
    code = text.charCodeAt(at)
  }
  const whole = at - start
  if (whole === 0 || (whole > 1 && text.charCodeAt(start) === 48)) return undefined
  let places = 0
  if (code === 46) {
    at += 1
    const from = at
    code = text.charCodeAt(at)
    while (code >= 48 && code <= 57) {
      coefficient = coefficient * 10 + (code - 48)
      at += 1
      code = text.charCodeAt(at)
    }
    places = at - from
    if (places === 0) return undefined
  }
  if (at === length && whole + places <= DIGITS_SAFE) {
    return fromSafe(start === 1 ? -coefficient : coefficient, places)
  }
  return parseLong(text, { start, mantissaEnd: at, places }, digitsMax)
}

/**
 * Reads a number in the grammar of JSON (RFC 8259 section 6): optional minus, digits without leading zeros, fraction,
 * exponent. Undefined where the text is anything else (NaN, Infinity, a decimal comma, blanks), has more than 30
 * significant digits, or an exponent beyond plus or minus 30.
 */
export function parseDecimal(text: string): Decimal | undefined {
  return parse(text, DIGITS_READ)
}

/** A decimal written in code. Throws a RangeError where the literal is no number or a number is no safe integer. */
export function decimal(literal: string | number): Decimal {
  if (typeof literal === 'number') {
    if (!Number.isSafeInteger(literal)) throw new RangeError(`${literal} is not a safe integer; write it as text`)
    return fromSafe(literal, 0)
  }
  const read = parse(literal, DIGITS_COMPUTED)
  if (read === undefined) throw new RangeError(`'${literal}' is not a decimal`)
  return read
}

export const ZERO: Decimal = decimal(0)
export const ONE: Decimal = decimal(1)
/** Pi to 34 significant digits. */
export const PI: Decimal = decimal('3.141592653589793238462643383279503')

/** Plain notation: no exponent, no trailing zeros behind the point, never '-0'. */
export function formatDecimal(d: Decimal): string {
  if (d.scale === 0) return String(d.coefficient)
  const negative = d.coefficient < 0
  const digits = String(negative ? -d.coefficient : d.coefficient).padStart(d.scale + 1, '0')
  const point = digits.length - d.scale
  return `${negative ? '-' : ''}${digits.slice(0, point)}.${digits.slice(point)}`
}

function order(a: number | bigint, b: number | bigint): -1 | 0 | 1 {
  return a < b ? -1 : a > b ? 1 : 0
}

/** -1 where a is less than b, 0 where they are the same number, 1 where a is greater. */
export function compare(a: Decimal, b: Decimal): -1 | 0 | 1 {
  const places = a.scale - b.scale
  if (places === 0) return order(a.coefficient, b.coefficient)
  if (typeof a.coefficient === 'number' && typeof b.coefficient === 'number') {
    const left = places > 0 ? a.coefficient : a.coefficient * power(-places)
    const right = places > 0 ? b.coefficient * power(places) : b.coefficient
    if (isSafe(left) && isSafe(right)) return order(left, right)
  }
  const scale = Math.max(a.scale, b.scale)
  return order(coefficientAt(a, scale), coefficientAt(b, scale))
}

/** Whether both are the same number, however written: 0.10 equals 0.1. */
export function equals(a: Decimal, b: Decimal): boolean {
  return a.scale === b.scale && a.coefficient === b.coefficient
}

export function isZero(d: Decimal): boolean {
  return d.coefficient === 0
}

export function isNegative(d: Decimal): boolean {
  return d.coefficient < 0
}

/** The exact sum. */
export function add(a: Decimal, b: Decimal): Decimal {
  if (typeof a.coefficient === 'number' && typeof b.coefficient === 'number') {
    const places = a.scale - b.scale
    const left = places < 0 ? a.coefficient * power(-places) : a.coefficient
    const right = places > 0 ? b.coefficient * power(places) : b.coefficient
    const sum = left + right
    if (isSafe(left) && isSafe(right) && isSafe(sum)) return fromSafe(sum, places < 0 ? b.scale : a.scale)
  }
  const scale = Math.max(a.scale, b.scale)
  return fromBig(coefficientAt(a, scale) + coefficientAt(b, scale), scale)
}

/** The exact difference a - b. */
export function subtract(a: Decimal, b: Decimal): Decimal {
  return add(a, negate(b))
}

/** The exact product. */
export function multiply(a: Decimal, b: Decimal): Decimal {
  if (typeof a.coefficient === 'number' && typeof b.coefficient === 'number') {
    const product = a.coefficient * b.coefficient
    if (isSafe(product)) return fromSafe(product, a.scale + b.scale)
  }
  return fromBig(BigInt(a.coefficient) * BigInt(b.coefficient), a.scale + b.scale)
}

export function negate(d: Decimal): Decimal {
  return d.coefficient === 0 ? d : { coefficient: -d.coefficient, scale: d.scale }
}

export function absolute(d: Decimal): Decimal {
  return isNegative(d) ? negate(d) : d
}

/** The lesser of two. */
export function least(a: Decimal, b: Decimal): Decimal {
  return compare(a, b) <= 0 ? a : b
}

/** The greater of two. */
export function greatest(a: Decimal, b: Decimal): Decimal {
  return compare(a, b) >= 0 ? a : b
}

function digitCount(magnitude: bigint): number {
  return magnitude.toString().length
}

/**
 * A magnitude to so many significant digits, half to even. `inexact` says that a remainder beyond the magnitude's last
 * digit was cut off, so that a tie is no tie.
 */
function toDigits(
  magnitude: bigint,
  scale: number,
  how: { digits: number; inexact: boolean; negative: boolean },
): Decimal {
  const dropped = digitCount(magnitude) - how.digits
  if (dropped <= 0) return fromBig(how.negative ? -magnitude : magnitude, scale)
  const unit = powerBig(dropped)
  const rest = magnitude % unit
  const half = unit / 2n
  let kept = magnitude / unit
  if (rest > half || (rest === half && (how.inexact || kept % 2n === 1n))) kept += 1n
  return fromBig(how.negative ? -kept : kept, scale - dropped)
}

function magnitudeOf(d: Decimal): bigint {
  const coefficient = BigInt(d.coefficient)
  return coefficient < 0n ? -coefficient : coefficient
}

/** a / b to 34 significant digits, half to even (decimal128, as DMN 1.5 section 10.3 asks). RangeError where b is zero. */
export function divide(a: Decimal, b: Decimal): Decimal {
  if (isZero(b)) throw new RangeError('division by zero')
  const dividend = magnitudeOf(a)
  const divisor = magnitudeOf(b)
  // One digit more than is kept, at least: then what was cut off can only break a tie.
  const shift = Math.max(0, DIGITS_COMPUTED + 1 + digitCount(divisor) - digitCount(dividend))
  const scaled = dividend * powerBig(shift)
  return toDigits(scaled / divisor, a.scale - b.scale + shift, {
    digits: DIGITS_COMPUTED,
    inexact: scaled % divisor !== 0n,
    negative: isNegative(a) !== isNegative(b),
  })
}

/** To so many significant digits, half to even; for showing computed numbers, never before a comparison. */
export function round(d: Decimal, digits: number): Decimal {
  if (!Number.isSafeInteger(digits) || digits < 1) throw new RangeError('digits must be a whole number above zero')
  return toDigits(magnitudeOf(d), d.scale, { digits, inexact: false, negative: isNegative(d) })
}

/** The least number of so many significant digits that is not below this one. */
export function roundUp(d: Decimal, digits: number): Decimal {
  const nearest = round(d, digits)
  return compare(nearest, d) >= 0 ? nearest : add(nearest, lastPlace(d, digits))
}

/** The greatest number of so many significant digits that is not above this one. */
export function roundDown(d: Decimal, digits: number): Decimal {
  return negate(roundUp(negate(d), digits))
}

/** One in the last of so many significant digits. */
function lastPlace(d: Decimal, digits: number): Decimal {
  return fromBig(1n, d.scale - Math.max(0, digitCount(magnitudeOf(d)) - digits))
}

/**
 * How a number halfway between two multiples is rounded: to the even multiple, or to the one of greater magnitude
 * (rules A and B of ISO 80000-1:2009, Annex B; from memory, verify).
 */
export type TieRule = 'half-even' | 'half-up'

/**
 * numerator / divisor, rounded to a whole multiple of `range` (above zero), exactly: no quotient is cut before the
 * decision. `down` and `up` say to which multiple a tie goes whatever its sign, for numbers known to lie just below or
 * just above it. RangeError where the divisor or the range is zero.
 */
export function nearestMultiple(
  { numerator, divisor }: { readonly numerator: Decimal; readonly divisor: Decimal | null },
  range: Decimal,
  ties: TieRule | 'down' | 'up',
): Decimal {
  const per = divisor === null ? range : multiply(range, divisor)
  if (isZero(per)) throw new RangeError('division by zero')
  // Both scaled to whole numbers of one unit.
  const scale = Math.max(numerator.scale, per.scale)
  const dividend = magnitudeOf(numerator) * powerBig(scale - numerator.scale)
  const unit = magnitudeOf(per) * powerBig(scale - per.scale)
  const isBelowZero = isNegative(numerator) !== isNegative(per)
  let count = dividend / unit
  const twice = 2n * (dividend % unit)
  if (twice > unit || (twice === unit && goesOn(count, ties, isBelowZero))) count += 1n
  return multiply(fromBig(isBelowZero ? -count : count, 0), range)
}

/** Whether a tie goes to the multiple of greater magnitude. */
function goesOn(count: bigint, ties: TieRule | 'down' | 'up', isBelowZero: boolean): boolean {
  switch (ties) {
    case 'half-even':
      return count % 2n === 1n
    case 'half-up':
      return true
    case 'down':
      return isBelowZero
    case 'up':
      return !isBelowZero
  }
}
