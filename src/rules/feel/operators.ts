/** Literals and operators of FEEL. Numbers have the 34 digits of decimal128, as the standard asks (OMG DMN 1.5, 10.3.2.3.1). */
import {
  add,
  type Decimal,
  divide,
  isNegative,
  isZero,
  multiply,
  ONE,
  parseDecimal,
  round,
  subtract,
} from '../../exact/decimal.ts'
import { compare, equal, type FeelValue } from './values.ts'

/** Whoever loops more often does not decide about a table. */
export const LOOPS_MAX = 10_000
const DIGITS = 34

/** The number of a literal; null where it has more digits than are kept. */
export function numberIn(text: string): Decimal | null {
  const digits = text
    .replaceAll(/\s/g, '')
    .replace(/^(-?)\./, '$10.')
    .replace(/^(-?)0+(?=\d)/, '$1')
  return parseDecimal(digits) ?? null
}

const ESCAPES: Readonly<Record<string, string>> = { n: '\n', r: '\r', t: '\t', '"': '"', '\\': '\\', "'": "'" }

/** The text of a literal in its quotes. */
export function textIn(text: string): string {
  return text.slice(1, -1).replaceAll(/\\(?:u([0-9a-fA-F]{4})|U([0-9a-fA-F]{6})|(.))/g, (whole, four, six, one) => {
    const code = Number.parseInt(four ?? six ?? '', 16)
    if (!Number.isNaN(code)) return code <= 0x10ffff ? String.fromCodePoint(code) : whole
    return ESCAPES[String(one)] ?? whole
  })
}

/** One operation on two numbers; null where it has no result. */
export function computed(operator: string | undefined, left: Decimal, right: Decimal): FeelValue {
  switch (operator) {
    case '+':
      return round(add(left, right), DIGITS)
    case '-':
      return round(subtract(left, right), DIGITS)
    case '*':
      return round(multiply(left, right), DIGITS)
    case '/':
      return isZero(right) ? null : divide(left, right)
    case '**':
      return power(left, right)
    default:
      return null
  }
}

/** Whole powers only; by squaring, each step to 34 digits. */
function power(base: Decimal, exponent: Decimal): Decimal | null {
  const count = Math.abs(Number(exponent.coefficient))
  if (exponent.scale !== 0 || count > LOOPS_MAX || (isZero(base) && isNegative(exponent))) return null
  let result = ONE
  let square = base
  for (let left = count; left > 0; left = Math.floor(left / 2)) {
    if (left % 2 === 1) result = round(multiply(result, square), DIGITS)
    square = round(multiply(square, square), DIGITS)
  }
  return isNegative(exponent) ? divide(ONE, result) : result
}

/** A comparison; null where the two cannot be compared. */
export function compared(sign: string, left: FeelValue, right: FeelValue): boolean | null {
  if (sign === '=' || sign === '!=') {
    const same = equal(left, right)
    return same === null ? null : same === (sign === '=')
  }
  const order = compare(left, right)
  if (order === null) return null
  if (order === 0) return sign.endsWith('=')
  return sign.startsWith(order < 0 ? '<' : '>')
}
