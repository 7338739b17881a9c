import { add, compare, type Decimal, decimal, divide, isZero, ONE, subtract } from '../exact/decimal.ts'
import { units } from '../exact/unit-codes.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import { readingDimensions } from '../rules/words.ts'
import { canonicalOf, codeOf, holdsReading } from './uncertainty.ts'
import type { AsFound } from './words.ts'

/**
 * What an instrument was found to read before it was adjusted. The error is the reading shown minus the true value
 * (VIM, JCGM 200:2012, 2.16), so the true value is reading / (1 + error) for a share and reading - error for an amount.
 */

/** Why statements cannot be stored: no reading of that kind, another dimension, ends reversed, an error of -100 % or less. */
export function checkAsFound(statements: readonly AsFound[]): ContentRefusal[] {
  const refusals: ContentRefusal[] = []
  statements.forEach(({ kind, range, error }, index) => {
    const refuse = (member: string, detail: string) =>
      refusals.push({ pointer: `/asFound/${index}${member}`, code: 'field-invalid', detail })
    const dimension = readingDimensions[kind]
    if (dimension === undefined) {
      refuse('/kind', `a step of the kind ${kind} has no number`)
      return
    }
    const isOther = (unit: string) => units[codeOf(unit) ?? '1'].dimension !== dimension
    if (isShare(error.unit)) {
      if (compare(add(ONE, canonicalOf(error.value, error.unit)), decimal(0)) <= 0) {
        refuse('/error/value', 'must be above -100 %')
      }
    } else if (isOther(error.unit)) refuse('/error/unit', `must be %, 1 or a unit of ${dimension}`)
    if (!range) return
    if (isOther(range.unit)) refuse('/range/unit', `must be a unit of ${dimension}`)
    const { least, most } = range
    if (!least && !most) refuse('/range', 'must state at least one of least and most')
    if (least && most && compare(decimal(least), decimal(most)) > 0) refuse('/range/least', 'must not be above most')
  })
  return refusals
}

function isShare(unit: string): boolean {
  const code = codeOf(unit)
  return code === '%' || code === '1'
}

/**
 * The true value of a reading of a kind, canonical units, by the first statement of that kind that holds it; undefined
 * where none does, or where it says that there was no error. A quotient that does not end is cut far behind the digits
 * that a limit can have, so it is placed against a limit as the exact one would be.
 */
export function trueValue(
  statements: readonly AsFound[],
  { kind, value }: { readonly kind: AsFound['kind']; readonly value: Decimal },
): Decimal | undefined {
  const statement = statements.find((one) => one.kind === kind && holdsReading(one.range, value))
  if (statement === undefined) return undefined
  const error = canonicalOf(statement.error.value, statement.error.unit)
  if (isZero(error)) return undefined
  return isShare(statement.error.unit) ? divide(value, add(ONE, error)) : subtract(value, error)
}
