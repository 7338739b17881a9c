import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import {
  absolute,
  add,
  compare,
  type Decimal,
  decimal,
  divide,
  equals,
  formatDecimal,
  greatest,
  isNegative,
  isZero,
  least,
  multiply,
  negate,
  ONE,
  PI,
  parseDecimal,
  round,
  subtract,
  ZERO,
} from '../../src/exact/decimal.ts'

/** The oracle: a fraction of two bigints, read by its own simple rule. */
interface Fraction {
  readonly over: bigint
  readonly under: bigint
}

function fraction(text: string): Fraction {
  const [mantissa = '', exponent = '0'] = text.toLowerCase().split('e')
  const [whole = '', behind = ''] = mantissa.split('.')
  const power = Number(exponent) - behind.length
  const digits = BigInt(whole + behind) // '-' stays in front; '-0.5' becomes '-05'.
  return power >= 0
    ? { over: digits * 10n ** BigInt(power), under: 1n }
    : { over: digits, under: 10n ** BigInt(-power) }
}

function fractionOf(d: Decimal): Fraction {
  return fraction(formatDecimal(d))
}

function same(a: Fraction, b: Fraction): boolean {
  return a.over * b.under === b.over * a.under
}

function sign(n: bigint): number {
  return n < 0n ? -1 : n > 0n ? 1 : 0
}

function read(text: string): Decimal {
  const d = parseDecimal(text)
  if (d === undefined) throw new Error(`${text} was not read`)
  return d
}

const digits = (max: number) =>
  fc.array(fc.integer({ min: 0, max: 9 }), { minLength: 1, maxLength: max }).map((list) => list.join(''))

/** Number texts of all lengths, most of them as short as readings are, some beyond the safe integers. */
const numberText = fc
  .record({
    minus: fc.boolean(),
    whole: fc.oneof({ weight: 3, arbitrary: digits(4) }, digits(18)),
    behind: fc.option(fc.oneof({ weight: 3, arbitrary: digits(3) }, digits(12)), { nil: undefined }),
    exponent: fc.option(fc.integer({ min: -30, max: 30 }), { nil: undefined, freq: 3 }),
  })
  .map(({ minus, whole, behind, exponent }) => {
    const trimmed = whole.replace(/^0+(?=.)/, '')
    const tail = behind === undefined ? '' : `.${behind}`
    return `${minus ? '-' : ''}${trimmed}${tail}${exponent === undefined ? '' : `e${exponent}`}`
  })

const RUNS = { numRuns: 1000 }

describe('reading', () => {
  test.each([
    ['0', '0'],
    ['-0', '0'],
    ['-0.00', '0'],
    ['118.4', '118.4'],
    ['50.0', '50'],
    ['1E3', '1000'],
    ['1e+3', '1000'],
    ['2.50e-3', '0.0025'],
    ['1e-12', '0.000000000001'],
    ['9007199254740993', '9007199254740993'],
    ['0.1000000000000000055', '0.1000000000000000055'],
    ['123456789012345678901234567890', '123456789012345678901234567890'],
    ['1e30', `1${'0'.repeat(30)}`],
    ['-0.000000000000000000000000000001', '-0.000000000000000000000000000001'],
  ])('%s is %s', (text, plain) => {
    expect(formatDecimal(read(text))).toBe(plain)
  })

  test.each([
    '',
    '-',
    '+1',
    '.5',
    '5.',
    '01',
    '-01',
    '1e',
    '1e+',
    '1e1.5',
    '1.2.3',
    '0x10',
    '1_000',
    '1,5',
    ' 1',
    '1 ',
    '1\n',
    'NaN',
    'Infinity',
    '-Infinity',
    '1e31',
    '1e-31',
    '1e400',
    '1234567890123456789012345678901',
    '1.000000000000000000000000000000',
    '\u0661',
    `0.${'0'.repeat(1000)}`,
    `1e${'0'.repeat(1000)}1`,
  ])('%j is refused', (text) => {
    expect(parseDecimal(text)).toBeUndefined()
  })

  test('every number text is read as exactly its number', () => {
    fc.assert(
      fc.property(numberText, (text) => same(fractionOf(read(text)), fraction(text))),
      RUNS,
    )
  })

  test('accepts what JSON.parse accepts as a number, and nothing else', () => {
    const piece = fc.constantFrom('0', '1', '9', '12', '.', '-', '+', 'e', 'E', ' ', 'N', ',')
    fc.assert(
      fc.property(fc.array(piece, { maxLength: 6 }), (pieces) => {
        const text = pieces.join('')
        const grammatical = /^-?(0|[1-9]\d*)(\.\d+)?([eE][+-]?\d+)?$/.test(text)
        const inRange = Math.abs(Number(/[eE](.*)$/.exec(text)?.[1] ?? '0')) <= 30
        expect(parseDecimal(text) !== undefined).toBe(grammatical && inRange)
      }),
      RUNS,
    )
  })

  test('writing and reading again gives the same value, in the same representation', () => {
    fc.assert(
      fc.property(numberText, (text) => {
        const d = read(text)
        const plain = formatDecimal(d)
        expect(plain).toMatch(/^(0|-?(0\.\d*[1-9]|[1-9]\d*(\.\d*[1-9])?))$/)
        expect(decimalOfAnyLength(plain)).toStrictEqual(d)
      }),
      RUNS,
    )
  })

  test('literals are strict', () => {
    expect(decimal(-3)).toStrictEqual(decimal('-3.0'))
    expect(() => decimal(0.1)).toThrow(RangeError)
    expect(() => decimal(2 ** 53)).toThrow(RangeError)
    expect(() => decimal('ten')).toThrow(RangeError)
  })
})

/** Plain text may be longer than a caller may write; products of powers of ten read it in pieces. */
function decimalOfAnyLength(plain: string): Decimal {
  const [whole = '', behind = ''] = plain.replace('-', '').split('.')
  let total = ZERO
  for (const digit of whole + behind) total = add(multiply(total, decimal(10)), decimal(Number(digit)))
  for (let place = 0; place < behind.length; place += 1) total = multiply(total, decimal('0.1'))
  return plain.startsWith('-') ? negate(total) : total
}

describe('arithmetic against fractions of bigints', () => {
  test('sum, difference, product, order', () => {
    fc.assert(
      fc.property(numberText, numberText, (left, right) => {
        const [a, b] = [read(left), read(right)]
        const [x, y] = [fraction(left), fraction(right)]
        const under = x.under * y.under
        const crossed = x.over * y.under - y.over * x.under
        expect(same(fractionOf(add(a, b)), { over: x.over * y.under + y.over * x.under, under })).toBe(true)
        expect(same(fractionOf(subtract(a, b)), { over: crossed, under })).toBe(true)
        expect(same(fractionOf(multiply(a, b)), { over: x.over * y.over, under })).toBe(true)
        expect(compare(a, b)).toBe(sign(crossed))
        expect(compare(b, a)).toBe(sign(-crossed))
        expect(equals(a, b)).toBe(crossed === 0n)
        expect(least(a, b)).toStrictEqual(crossed <= 0n ? a : b)
        expect(greatest(a, b)).toStrictEqual(crossed >= 0n ? a : b)
      }),
      RUNS,
    )
  })

  test('equal numbers have one representation, however they came about', () => {
    fc.assert(
      fc.property(numberText, numberText, (left, right) => {
        const [a, b] = [read(left), read(right)]
        expect(subtract(add(a, b), b)).toStrictEqual(a)
        expect(add(a, b)).toStrictEqual(add(b, a))
        expect(add(a, negate(a))).toStrictEqual(ZERO)
        expect(negate(negate(a))).toStrictEqual(a)
        expect(isNegative(absolute(a))).toBe(false)
        expect(isZero(a)).toBe(equals(a, ZERO))
      }),
      RUNS,
    )
  })

  test('the safe integers end without a step', () => {
    const most = decimal(Number.MAX_SAFE_INTEGER)
    expect(formatDecimal(add(most, ONE))).toBe('9007199254740992')
    expect(formatDecimal(add(add(most, ONE), ONE))).toBe('9007199254740993')
    expect(subtract(add(most, ONE), ONE)).toStrictEqual(most)
    expect(formatDecimal(multiply(most, decimal('-0.1')))).toBe('-900719925474099.1')
    expect(compare(most, add(most, decimal('0.0000000000000001')))).toBe(-1)
  })

  test('a quotient is the nearest of 34 digits, ties to even', () => {
    fc.assert(
      fc.property(numberText, numberText, (left, right) => {
        const [a, b] = [read(left), read(right)]
        fc.pre(!isZero(b) && !isZero(a))
        const quotient = divide(a, b)
        const [x, y, q] = [fraction(left), fraction(right), fractionOf(quotient)]
        const significant = formatDecimal(quotient).replace(/[-.]/g, '').replace(/^0+/, '').replace(/0+$/, '')
        expect(significant.length).toBeLessThanOrEqual(34)
        // |a/b - q| <= half a unit in the 34th digit of q: 2 * |a*q.under - q*b| * 10^33 <= |q| scaled at most ten times.
        const error = x.over * y.under * q.under - q.over * x.under * y.over
        const magnitude = q.over * x.under * y.over
        expect(2n * abs(error) * 10n ** 33n <= abs(magnitude)).toBe(true)
      }),
      RUNS,
    )
  })

  test('quotients known in full', () => {
    expect(formatDecimal(divide(ONE, decimal(3)))).toBe(`0.${'3'.repeat(34)}`)
    expect(formatDecimal(divide(decimal(2), decimal(3)))).toBe(`0.${'6'.repeat(33)}7`)
    expect(formatDecimal(divide(decimal(-1), decimal(8)))).toBe('-0.125')
    expect(formatDecimal(divide(decimal('1e30'), decimal('1e-30')))).toBe(`1${'0'.repeat(60)}`)
    expect(divide(ZERO, decimal(7))).toStrictEqual(ZERO)
    expect(() => divide(ONE, ZERO)).toThrow(RangeError)
    // 1 followed by 34 digits and a half: the tie goes to the even neighbour.
    const tie = add(multiply(decimal('1e20'), decimal('1e14')), decimal('5'))
    expect(formatDecimal(divide(tie, ONE))).toBe(`1${'0'.repeat(34)}`)
    expect(formatDecimal(divide(add(tie, decimal(10)), ONE))).toBe(`1${'0'.repeat(32)}20`)
    expect(formatDecimal(divide(add(tie, decimal('0.001')), ONE))).toBe(`1${'0'.repeat(32)}10`)
    // 2 x 10^34 + 5 + 1/7: what lies behind the tie's five is seen only in the remainder.
    const hidden = add(
      multiply(decimal(7), add(multiply(decimal(2), multiply(decimal('1e20'), decimal('1e14'))), decimal(5))),
      ONE,
    )
    expect(formatDecimal(divide(hidden, decimal(7)))).toBe(`2${'0'.repeat(32)}10`)
  })

  test('a product divided by its factor gives the other', () => {
    fc.assert(
      fc.property(fc.integer(), fc.integer({ min: 1 }), fc.integer({ min: 0, max: 9 }), (n, m, places) => {
        const a = divide(decimal(n), decimal(10 ** places))
        expect(divide(multiply(a, decimal(m)), decimal(m))).toStrictEqual(a)
      }),
      RUNS,
    )
  })

  test('pi is right to 34 digits', () => {
    // Machin 1706: pi = 16 arctan(1/5) - 4 arctan(1/239), in whole numbers with ten guard digits.
    const one = 10n ** 43n
    const arctan = (inverse: bigint): bigint => {
      let sum = 0n
      let power = one / inverse
      for (let odd = 1n; power !== 0n; odd += 2n) {
        sum += odd % 4n === 1n ? power / odd : -power / odd
        power /= inverse * inverse
      }
      return sum
    }
    const pi = 16n * arctan(5n) - 4n * arctan(239n)
    expect(formatDecimal(PI)).toBe(`3.${((pi + 10n ** 10n / 2n) / 10n ** 10n).toString().slice(1)}`)
  })
})

describe('rounding for display', () => {
  test.each([
    ['1.7278759594743863', 3, '1.73'],
    ['0.00125', 2, '0.0012'],
    ['0.00135', 2, '0.0014'],
    ['0.001250000000000000001', 2, '0.0013'],
    ['-2.5', 1, '-2'],
    ['99.96', 3, '100'],
    ['123456', 2, '120000'],
    ['7', 3, '7'],
    ['0', 3, '0'],
  ])('%s to %i digits is %s', (text, count, rounded) => {
    expect(formatDecimal(round(decimal(text), count))).toBe(rounded)
  })

  test('fewer than one digit is a mistake', () => {
    expect(() => round(ONE, 0)).toThrow(RangeError)
    expect(() => round(ONE, 1.5)).toThrow(RangeError)
  })
})

function abs(n: bigint): bigint {
  return n < 0n ? -n : n
}
