import { z } from 'zod'
import { type Decimal, divide, equals, formatDecimal, multiply, ONE, parseDecimal } from './decimal.ts'
import { type Dimension, readUnit, type UnitCode, unitCodes, units } from './unit-codes.ts'

/** A number that was read (`=`), or of which only a bound is known because the display ended there (`<`, `>`). */
export const relations = ['=', '<', '>'] as const
export type Relation = (typeof relations)[number]

/** A number with its unit, exact. Equal quantities have equal `value`s, whatever units they were written in. */
export interface Quantity {
  readonly dimension: Dimension
  /** In the canonical unit of the dimension (see `units`). */
  readonly value: Decimal
  /** The unit as written. */
  readonly unit: UnitCode
  readonly relation: Relation
  /** The value's digits as received. */
  readonly text: string
}

/**
 * A decimal number as text, in the grammar of JSON numbers. An issue carries `params.refused`, the code that an upload
 * is answered with.
 */
export const DecimalTextWire = z
  .string()
  .superRefine((text, context) => {
    if (parseDecimal(text) !== undefined) return
    context.addIssue({
      code: 'custom',
      params: { refused: 'not-a-number' },
      message: 'not a decimal number of at most 30 digits, with an exponent of at most 30',
    })
  })
  .meta({ pattern: '^-?(0|[1-9][0-9]*)(\\.[0-9]+)?([eE][+-]?[0-9]+)?$', maxLength: 72 })

/** A unit by any accepted spelling. An issue carries `params.refused`, as in `DecimalTextWire`. */
export const UnitWire = z
  .string()
  .superRefine((text, context) => {
    const read = readUnit(text)
    if (typeof read === 'string') return
    context.addIssue({ code: 'custom', params: read, message: `not one of ${unitCodes.join(' ')}` })
  })
  .meta({ description: `UCUM, case-sensitive: ${unitCodes.join(' ')}`, maxLength: 16 })

/** A quantity that must be there, as in a product or a plan; what a station measured may be absent: `readQuantity`. */
export const QuantityWire = z.strictObject({
  value: DecimalTextWire.describe('A decimal number as text'),
  unit: UnitWire,
  relation: z.enum(relations).nullish().describe('= unless said: < and > are for bounds'),
})
export type QuantityWire = z.infer<typeof QuantityWire>

export type QuantityRead =
  | { readonly quantity: Quantity }
  /** The value is absent, null or empty: the instrument gave no number. It is never read as zero. */
  | { readonly noReading: true }
  | {
      readonly refused: 'unit-missing' | 'unit-ambiguous' | 'unit-unknown' | 'not-a-number' | 'field-invalid'
      /** The member at fault; empty where the whole is no object. */
      readonly member: string
    }

/**
 * Reads a quantity as it comes out of `readJson`, where a value written as a JSON number is already a string of its
 * own digits. Members other than `value`, `unit` and `relation` are the caller's business.
 */
export function readQuantity(wire: unknown): QuantityRead {
  if (typeof wire !== 'object' || wire === null || Array.isArray(wire)) return { refused: 'field-invalid', member: '' }
  const { value, unit, relation } = wire as { value?: unknown; unit?: unknown; relation?: unknown }
  if (value === undefined || value === null || value === '') return { noReading: true }
  // A number here has been through a double already, so its digits are no longer the sender's.
  if (typeof value !== 'string') return { refused: 'field-invalid', member: 'value' }
  const number = parseDecimal(value)
  if (number === undefined) return { refused: 'not-a-number', member: 'value' }
  const code = readUnit(unit)
  if (typeof code === 'object') return { refused: code.refused, member: 'unit' }
  const bound = relation === undefined || relation === null ? '=' : relation
  if (bound !== '=' && bound !== '<' && bound !== '>') return { refused: 'field-invalid', member: 'relation' }
  const { dimension, factor } = units[code]
  return { quantity: { dimension, value: multiply(number, factor), unit: code, relation: bound, text: value } }
}

/** Units whose factor has an exact reciprocal; their numbers are exact in both directions. Minute and hour have none. */
const reciprocals: ReadonlyMap<UnitCode, Decimal> = new Map(
  unitCodes.flatMap((code): [UnitCode, Decimal][] => {
    const reciprocal = divide(ONE, units[code].factor)
    return equals(multiply(reciprocal, units[code].factor), ONE) ? [[code, reciprocal]] : []
  }),
)

/** A canonical value in a unit of its dimension; exact, save in minutes and hours (34 significant digits). */
export function inUnit(value: Decimal, unit: UnitCode): Decimal {
  const reciprocal = reciprocals.get(unit)
  return reciprocal === undefined ? divide(value, units[unit].factor) : multiply(value, reciprocal)
}

/** The wire form of a canonical value in a unit of its dimension; `=` is the default relation and left out. */
export function writeQuantity(
  value: Decimal,
  unit: UnitCode,
  relation: Relation = '=',
): { value: string; unit: UnitCode; relation?: Relation } {
  const written = { value: formatDecimal(inUnit(value, unit)), unit }
  return relation === '=' ? written : { ...written, relation }
}
