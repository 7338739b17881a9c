/** Values of FEEL (OMG DMN 1.5, section 10.3.2): what they are, when two are equal, which is the lesser. */
import { compare as compareDecimals, type Decimal, equals as equalDecimals } from '../../exact/decimal.ts'

export const temporalKinds = [
  'date',
  'time',
  'date and time',
  'days and time duration',
  'years and months duration',
] as const
export type TemporalKind = (typeof temporalKinds)[number]

/** A date, a time of day, an instant or a length of time. */
export interface FeelTemporal {
  readonly kind: TemporalKind
  /** Orders values of one kind: days, seconds or months, in UTC where there is an offset. */
  readonly order: Decimal
  /** Whether it states its offset from UTC; one that does is not comparable with one that does not. */
  readonly isZoned: boolean
  /** What may be asked for by name, such as `year`. */
  readonly members: ReadonlyMap<string, FeelValue>
}

export interface FeelRange {
  readonly kind: 'range'
  readonly lower: { readonly value: FeelValue; readonly open: boolean }
  readonly upper: { readonly value: FeelValue; readonly open: boolean }
}

export interface FeelContext {
  readonly kind: 'context'
  readonly entries: ReadonlyMap<string, FeelValue>
}

export interface FeelFunction {
  readonly kind: 'function'
  /** For arguments given by name; undefined where they are only given in order. */
  readonly parameters: readonly string[] | undefined
  readonly call: (given: readonly FeelValue[]) => FeelValue
}

export type FeelValue =
  | null
  | boolean
  | string
  | Decimal
  | FeelTemporal
  | FeelRange
  | FeelContext
  | FeelFunction
  | readonly FeelValue[]

export function isList(value: FeelValue): value is readonly FeelValue[] {
  return Array.isArray(value)
}

export function isNumber(value: FeelValue | undefined): value is Decimal {
  return typeof value === 'object' && value !== null && 'coefficient' in value
}

export function isTemporal(value: FeelValue | undefined): value is FeelTemporal {
  return typeof value === 'object' && value !== null && 'order' in value
}

type Kind = 'null' | 'boolean' | 'string' | 'number' | 'list' | 'range' | 'context' | 'function' | TemporalKind

export function kindOf(value: FeelValue): Kind {
  if (value === null) return 'null'
  if (typeof value === 'boolean') return 'boolean'
  if (typeof value === 'string') return 'string'
  if (isList(value)) return 'list'
  return 'coefficient' in value ? 'number' : value.kind
}

/** Whether two values are equal; null where they cannot be compared. Null equals null alone. */
export function equal(a: FeelValue, b: FeelValue): boolean | null {
  if (a === null || b === null) return a === b
  if (kindOf(a) !== kindOf(b)) return null
  if (isNumber(a) && isNumber(b)) return equalDecimals(a, b)
  if (isTemporal(a) && isTemporal(b)) return a.isZoned === b.isZoned && equalDecimals(a.order, b.order)
  if (isList(a) && isList(b)) {
    return a.length === b.length && a.every((item, index) => equal(item, b[index] ?? null) === true)
  }
  if (typeof a === 'object' && typeof b === 'object' && 'kind' in a && 'kind' in b) return equalBoxed(a, b)
  return a === b
}

function equalBoxed(a: Exclude<FeelValue, null | boolean | string | Decimal | readonly FeelValue[]>, b: typeof a) {
  if (a.kind === 'context' && b.kind === 'context') {
    return (
      a.entries.size === b.entries.size &&
      [...a.entries].every(([name, value]) => {
        const other = b.entries.get(name)
        return other !== undefined && equal(value, other) === true
      })
    )
  }
  if (a.kind === 'range' && b.kind === 'range') {
    const isSame = (x: FeelRange['lower'], y: FeelRange['lower']) => x.open === y.open && equal(x.value, y.value)
    return isSame(a.lower, b.lower) === true && isSame(a.upper, b.upper) === true
  }
  return a === b
}

/** Which comes first; null where the values have no order between them. */
export function compare(a: FeelValue, b: FeelValue): -1 | 0 | 1 | null {
  if (isNumber(a) && isNumber(b)) return compareDecimals(a, b)
  if (typeof a === 'string' && typeof b === 'string') return a < b ? -1 : a > b ? 1 : 0
  if (isTemporal(a) && isTemporal(b) && a.kind === b.kind && a.isZoned === b.isZoned) {
    return compareDecimals(a.order, b.order)
  }
  return null
}

/** Whether a value lies in a range; an end that is null is unbounded. */
export function inRange(value: FeelValue, { lower, upper }: FeelRange): boolean | null {
  const above = lower.value === null ? 1 : compare(value, lower.value)
  const below = upper.value === null ? -1 : compare(value, upper.value)
  if (above === null || below === null) return null
  return (above > 0 || (above === 0 && !lower.open)) && (below < 0 || (below === 0 && !upper.open))
}
