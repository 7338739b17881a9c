import {
  compare,
  type Decimal,
  decimal,
  divide,
  equals,
  formatDecimal,
  isZero,
  multiply,
  round,
  subtract,
} from '../exact/decimal.ts'
import { writeQuantity } from '../exact/quantity.ts'
import { acceptedEnds, type Ends, needsLeast, quantityValue, valueSet, type WindowName } from '../plans/windows.ts'
import { type PlanQuantity, unitCode, type Window } from '../plans/words.ts'
import type { ChangeKind, ChangeSide, QuantitySide, WindowSide } from './diff-words.ts'

/** One difference of one member, whoever says that member. */
export interface Difference {
  readonly kind: ChangeKind
  /** Pointer below the member: into the newer content, into the older one where the kind is `removed`. */
  readonly at: string
  readonly from: ChangeSide
  readonly to: ChangeSide
  readonly changePercent: string | null
  /** Null: alike for every variant. */
  readonly variants: readonly string[] | null
  /** Which part of the member, where it is not the whole of it. */
  readonly aspect: 'set' | 'least' | 'most' | 'formula' | null
}

/** Which way a number has to go to ask more. */
export type Tighter = 'less' | 'more'

/** An absent member, which may also be written as null. */
export type Maybe<Value> = Value | null | undefined

/** What is to be said of a difference of a whole member, for every variant, that is no number. */
export const whole = { at: '', changePercent: null, variants: null, aspect: null } as const

/** Two values of which neither asks more than the other. */
export function compareWords(from: Maybe<string | number>, to: Maybe<string | number>): Difference[] {
  const [before, now] = [from ?? null, to ?? null]
  return before === now ? [] : [{ ...whole, kind: 'changed', from: before, to: now }]
}

/** A word that says what must hold: without it nothing must. `isSame` is asked only where both are given. */
export function compareDemand(
  from: Maybe<string>,
  to: Maybe<string>,
  isSame: (before: string, now: string) => boolean,
): Difference[] {
  const [before, now] = [from ?? null, to ?? null]
  if (before === null || now === null) return arrival(before, now)
  return isSame(before, now) ? [] : [{ ...whole, kind: 'changed', from: before, to: now }]
}

export function compareFlags(from: boolean, to: boolean, tighter: boolean): Difference[] {
  return from === to ? [] : [{ ...whole, kind: to === tighter ? 'tightened' : 'loosened', from, to }]
}

/** Whole numbers that bound something. */
export function compareCounts(from: number, to: number, tighter: Tighter): Difference[] {
  const kind = directionOf(decimal(from), decimal(to), tighter)
  return kind === null ? [] : [{ ...whole, kind, from, to, changePercent: percentOf(decimal(from), decimal(to)) }]
}

/**
 * Names whose order says nothing. Where each of them is a condition, more of them ask more. `newNameOf` says what a name
 * is called in the newer content.
 */
export function compareNames(
  from: Maybe<readonly string[]>,
  to: Maybe<readonly string[]>,
  options: { readonly tighter?: 'more'; readonly newNameOf?: (name: string) => string } = {},
): Difference[] {
  const { tighter, newNameOf = (name) => name } = options
  const before = new Set((from ?? []).map(newNameOf))
  const now = new Set(to ?? [])
  const isKept = [...before].every((name) => now.has(name))
  const isOld = [...now].every((name) => before.has(name))
  if (isKept && isOld) return []
  const kind = tighter === undefined || isKept === isOld ? 'changed' : isKept ? 'tightened' : 'loosened'
  return [{ ...whole, kind, from: from ? [...from] : null, to: to ? [...to] : null }]
}

/** One value that bounds something; absent, it bounds nothing. */
export function compareQuantities(from: Maybe<PlanQuantity>, to: Maybe<PlanQuantity>, tighter: Tighter): Difference[] {
  if (!from || !to) return arrival(from ? quantitySide(from) : null, to ? quantitySide(to) : null)
  const [before, now] = [quantityValue(from), quantityValue(to)]
  const kind = directionOf(before, now, tighter)
  if (kind === null) return []
  const changePercent = percentOf(before, now)
  return [{ ...whole, kind, from: quantitySide(from), to: quantitySide(to), changePercent }]
}

/** The same differences, of a part of a member. */
export function within(part: string, differences: readonly Difference[]): Difference[] {
  return differences.map((difference) => ({ ...difference, at: `/${part}${difference.at}` }))
}

/**
 * What is accepted, and beside it what the tester is set to. A window that lies wholly in the one before is tighter; one
 * that moved is neither tighter nor looser, and is given with both ends.
 */
export function compareWindows(name: WindowName, from: Maybe<Window>, to: Maybe<Window>): Difference[] {
  if (!from || !to) return arrival(from ? windowSide(name, from) : null, to ? windowSide(name, to) : null)
  const ends = compareEnds(name, from, to)
  const [before, now] = [valueSet(from), valueSet(to)]
  const isSame = before === undefined || now === undefined ? before === now : equals(before, now)
  // Where the value set is itself what is accepted, or the least of it, its change has been told already.
  if (isSame || (isSetAlone(from) && isSetAlone(to)) || (isSetLeast(name, from) && isSetLeast(name, to))) return ends
  const set: Difference = {
    ...whole,
    kind: 'changed',
    at: now === undefined ? '' : '/set',
    aspect: 'set',
    ...sides(before, from, now, to),
  }
  return [...ends, set]
}

function compareEnds(name: WindowName, from: Window, to: Window): Difference[] {
  const [before, now] = [acceptedEnds(name, from), acceptedEnds(name, to)]
  const least = endDirection(before.least, now.least, 'more')
  const most = endDirection(before.most, now.most, 'less')
  if (least !== null && most !== null) {
    const isPoints = isPoint(before) && isPoint(now)
    return [
      {
        ...whole,
        kind: least === most ? least : 'changed',
        at: isSetAlone(to) ? '/set' : '',
        aspect: isSetAlone(from) && isSetAlone(to) ? 'set' : null,
        ...(isPoints
          ? sides(before.least, from, now.least, to)
          : { from: windowSide(name, from), to: windowSide(name, to) }),
      },
    ]
  }
  const differences: Difference[] = []
  for (const [aspect, kind] of [
    ['least', least],
    ['most', most],
  ] as const) {
    if (kind === null) continue
    const isSaidBySet = isSetAlone(to) || (aspect === 'least' && isSetLeast(name, to))
    const at = isSaidBySet ? '/set' : now[aspect] === undefined ? '' : `/${aspect}`
    differences.push({ ...whole, kind, at, aspect, ...sides(before[aspect], from, now[aspect], to) })
  }
  return differences
}

/** Whether the window says nothing but the value set, which is then all that is accepted. */
function isSetAlone({ set, least, most }: Window): boolean {
  return (set ?? null) !== null && (least ?? null) === null && (most ?? null) === null
}

/** Whether the value set stands for a least that is not stated. */
function isSetLeast(name: WindowName, { set, least }: Window): boolean {
  return needsLeast(name) && (set ?? null) !== null && (least ?? null) === null
}

function isPoint({ least, most }: Ends): boolean {
  return least !== undefined && most !== undefined && equals(least, most)
}

function endDirection(
  before: Decimal | undefined,
  now: Decimal | undefined,
  tighter: Tighter,
): 'tightened' | 'loosened' | null {
  if (before === undefined || now === undefined) {
    return before === now ? null : before === undefined ? 'tightened' : 'loosened'
  }
  return directionOf(before, now, tighter)
}

function sides(
  before: Decimal | undefined,
  from: Window,
  now: Decimal | undefined,
  to: Window,
): Pick<Difference, 'from' | 'to' | 'changePercent'> {
  return {
    from: before === undefined ? null : numberSide(before, from.unit),
    to: now === undefined ? null : numberSide(now, to.unit),
    changePercent: before === undefined || now === undefined ? null : percentOf(before, now),
  }
}

/** Something that stands in one of the two contents alone, or in neither. */
export function arrival(from: ChangeSide, to: ChangeSide): Difference[] {
  if (from === null && to === null) return []
  return [{ ...whole, kind: from === null ? 'added' : 'removed', from, to }]
}

/** Which way a number went; null where it stayed. */
export function directionOf(before: Decimal, now: Decimal, tighter: Tighter): 'tightened' | 'loosened' | null {
  const order = compare(now, before)
  return order === 0 ? null : order < 0 === (tighter === 'less') ? 'tightened' : 'loosened'
}

const PERCENT = decimal(100)

/**
 * (now - before) / before in per cent, to 3 significant digits; null from zero, where it says nothing. It is for
 * reading alone and decides nothing: rounded first to the 34 digits of a division, then half to even.
 */
export function percentOf(before: Decimal, now: Decimal): string | null {
  if (isZero(before)) return null
  return formatDecimal(round(divide(multiply(subtract(now, before), PERCENT), before), 3))
}

/** A canonical value in the unit it was written in. */
export function numberSide(value: Decimal, unit: string): QuantitySide {
  const written = writeQuantity(value, unitCode(unit))
  return { value: written.value, unit: written.unit }
}

function quantitySide(quantity: PlanQuantity): QuantitySide {
  return numberSide(quantityValue(quantity), quantity.unit)
}

function windowSide(name: WindowName, window: Window): WindowSide {
  const { least, most } = acceptedEnds(name, window)
  return {
    least: least ? numberSide(least, window.unit).value : null,
    most: most ? numberSide(most, window.unit).value : null,
    unit: unitCode(window.unit),
  }
}
