/** Values of a plan, each number with the reason why it stands there. */
import {
  absolute,
  add,
  compare,
  type Decimal,
  decimal,
  divide,
  equals,
  formatDecimal,
  isNegative,
  isZero,
  multiply,
  ONE,
  roundDown,
  roundUp,
  subtract,
} from '../exact/decimal.ts'
import { inUnit } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { Bound, Room } from './bounds.ts'
import type { ReadingsSource, Reason, RuleSource } from './words.ts'

/** Why something stands there. */
export interface Why {
  readonly because: string
  readonly source: Reason['source']
  readonly rule?: RuleSource | undefined
  readonly readings?: ReadingsSource | undefined
}

/** A member of a step with its reasons; the pointers of these begin at the member. */
export interface Said<Value = unknown> {
  readonly value: Value
  readonly why: readonly { readonly pointer: string; readonly value: string; readonly why: Why }[]
}

/** A number with its reason, in the canonical unit. */
export interface Reasoned {
  readonly value: Decimal
  readonly why: Why
}

export function byDefault(because: string): Why {
  return { source: 'default', because: `${because} Common practice; no rule in effect demands it.` }
}

export function byRule({ origin: { rule, demands, instead } }: Pick<Bound, 'origin'>): Why {
  const row = `Row ${rule.row} of ${rule.table}, edition ${rule.edition}, demands ${demands}.`
  return { source: 'rule', because: instead === '' ? row : `${row} In its place would do: ${instead}.`, rule }
}

export function word<Value extends string | boolean | number>(value: Value, why: Why): Said<Value> {
  return { value, why: [{ pointer: '', value: String(value), why }] }
}

export function quantity({ value, why }: Reasoned, unit: UnitCode): Said<{ value: string; unit: UnitCode }> {
  const text = written(value, unit)
  return { value: { value: text, unit }, why: [{ pointer: '/value', value: text, why }] }
}

/** Members of an object, each with its own reasons. */
export function together<Members extends Record<string, Said | undefined>>(members: Members): Said {
  const value: Record<string, unknown> = {}
  const why: Said['why'][number][] = []
  for (const [name, said] of Object.entries(members)) {
    if (said === undefined) continue
    value[name] = said.value
    why.push(...said.why.map((one) => ({ ...one, pointer: `/${name}${one.pointer}` })))
  }
  return { value, why }
}

// ------------------------------------------------------------------------------------------------ windows

type Ends = { readonly [End in 'set' | 'least' | 'most']?: Reasoned | undefined }

export function windowOf(ends: Ends, unit: UnitCode): Said {
  const value: Record<string, string> = {}
  const why: Said['why'][number][] = []
  for (const end of ['set', 'least', 'most'] as const) {
    const one = ends[end]
    if (!one) continue
    value[end] = written(one.value, unit)
    why.push({ pointer: `/${end}`, value: written(one.value, unit), why: one.why })
  }
  return { value: { ...value, unit }, why }
}

/** What an instrument gives, and how it is called. */
export interface Reach {
  readonly least?: Decimal | undefined
  readonly most?: Decimal | undefined
  readonly instrument: string
}

/** A tester meets what is set to within a share of it: what the instrument states or, without that, common practice. */
export interface Miss {
  readonly share: Decimal
  readonly why: Why
}
const usualMiss: Miss = {
  share: decimal('0.03'),
  why: byDefault('3 % about what is set, as a tester may miss it by that much.'),
}
/** A timer gets so much more than it must run, so that its own error makes no good test invalid. Common practice. */
const SPARE = decimal('1.1')

const spare: Why = byDefault('A tenth more than the least, so that the error of a timer makes no good test invalid.')

/**
 * A window of stress: its least is what is demanded, and what is set lies above it by what a tester may miss it by, since
 * a test below the least is none. Undefined where rules leave no such window.
 */
export function stress(
  room: Room,
  wanted: Reasoned,
  { reach, miss = usualMiss }: { readonly reach?: Reach | undefined; readonly miss?: Miss | undefined } = {},
): Ends | undefined {
  const { share, why: missed } = miss
  const lower = lowerEnd(room)
  const upper = upperEnd(room)
  if (upper && !isAboveZero(upper.value)) return undefined
  let from = lower && isAboveZero(lower.value) ? lower : wanted
  if (upper && compare(from.value, upper.value) > 0) {
    if (from === lower) return undefined
    from = { value: roundDown(multiply(upper.value, subtract(ONE, add(share, share))), 3), why: missed }
  }
  let set: Reasoned = { value: roundUp(divide(from.value, subtract(ONE, share)), 3), why: missed }
  let to: Reasoned = { value: roundUp(multiply(set.value, add(ONE, share)), 4), why: missed }
  if (upper && compare(to.value, upper.value) > 0) {
    to = upper
    const middle = midway(from.value, upper.value)
    if (compare(set.value, middle) > 0) set = { value: middle, why: byDefault('Midway between what is accepted.') }
  }
  if (reach) ({ set, to } = withinReach({ from, set, to, upper, miss }, reach))
  return { set, least: from, most: to }
}

interface Span {
  readonly from: Reasoned
  readonly set: Reasoned
  readonly to: Reasoned
  readonly upper: Reasoned | undefined
  readonly miss: Miss
}

/** What is set is moved to where the instrument gets to, as far as the window lets it; else it stays, and is told elsewhere. */
function withinReach(
  { from, set, to, upper, miss }: Span,
  { least, most, instrument }: Reach,
): Pick<Span, 'set' | 'to'> {
  const why: Why = { source: 'instrument', because: `The range of ${instrument} ends there.` }
  if (most && compare(set.value, most) > 0 && compare(from.value, most) <= 0) return { set: { value: most, why }, to }
  if (least && compare(set.value, least) < 0 && (!upper || compare(least, upper.value) <= 0)) {
    const wider = roundUp(multiply(least, add(ONE, miss.share)), 4)
    const end = upper && compare(wider, upper.value) > 0 ? upper : { value: wider, why: miss.why }
    return { set: { value: least, why }, to: compare(to.value, end.value) > 0 ? to : end }
  }
  return { set, to }
}

/** A time: its least is what is demanded, what is set a little more. */
export function duration(room: Room, wanted: Reasoned, most?: Reasoned): Ends | undefined {
  const lower = lowerEnd(room)
  const upper = upperEnd(room) ?? most
  let from = lower ?? wanted
  if (upper && compare(from.value, upper.value) > 0) {
    if (lower) return undefined
    from = upper
  }
  const longer = roundUp(multiply(from.value, SPARE), 2)
  const set = upper && compare(longer, upper.value) > 0 ? upper : { value: longer, why: spare }
  return { set, least: from, most: upper }
}

/** About a nominal value, such as the rated frequency, by so large a share either way; cut to what rules leave. */
export function about(room: Room, nominal: Reasoned, share: Decimal, because: string): Ends | undefined {
  const lower = lowerEnd(room)
  const upper = upperEnd(room)
  const isInside =
    (!lower || compare(nominal.value, lower.value) >= 0) && (!upper || compare(nominal.value, upper.value) <= 0)
  const set = isInside ? nominal : compare(nominal.value, (lower ?? nominal).value) < 0 ? lower : upper
  if (!set || !isAboveZero(set.value)) return undefined
  const why = byDefault(because)
  const below = { value: roundDown(multiply(set.value, subtract(ONE, share)), 4), why }
  const above = { value: roundUp(multiply(set.value, add(ONE, share)), 4), why }
  const least = lower && compare(lower.value, below.value) > 0 ? lower : below
  return { set, least, most: upper && compare(upper.value, above.value) < 0 ? upper : above }
}

// ------------------------------------------------------------------------------------------------ ends

/** The least that meets a lower end; a little more where the end itself is not among what is left. */
export function lowerEnd({ lower }: Room): Reasoned | undefined {
  if (!lower) return undefined
  return { value: lower.isOpen ? nudged(lower.value, 'up') : statable(lower.value, 'up'), why: byRule(lower) }
}

/** The most that meets an upper end; a little less where the end itself is not among what is left. */
export function upperEnd({ upper }: Room): Reasoned | undefined {
  if (!upper) return undefined
  return { value: upper.isOpen ? nudged(upper.value, 'down') : statable(upper.value, 'down'), why: byRule(upper) }
}

/** How far inside an open end a value is put, as a share of it. */
const INSIDE = decimal('0.001')

function nudged(value: Decimal, way: 'up' | 'down'): Decimal {
  const by = isZero(value) ? INSIDE : multiply(absolute(value), INSIDE)
  return statable(way === 'up' ? add(value, by) : subtract(value, by), way)
}

/** Digits that a computed number keeps: more than any instrument is set to. */
const DIGITS_KEPT = 12

/** A formula may give more digits than a plan can hold; they go towards what is demanded. */
function statable(value: Decimal, way: 'up' | 'down'): Decimal {
  return way === 'up' ? roundUp(value, DIGITS_KEPT) : roundDown(value, DIGITS_KEPT)
}

function midway(a: Decimal, b: Decimal): Decimal {
  return equals(a, b) ? a : multiply(add(a, b), decimal('0.5'))
}

export function isAboveZero(value: Decimal): boolean {
  return !isNegative(value) && !isZero(value)
}

export function written(value: Decimal, unit: UnitCode): string {
  return formatDecimal(inUnit(value, unit))
}
