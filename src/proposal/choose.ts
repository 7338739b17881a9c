/**
 * Which of the alternatives that tables leave is taken, so that all tables are met together: those with the least time,
 * then the least voltage and current, where the table itself says no order.
 */
import { compare, formatDecimal, ZERO } from '../exact/decimal.ts'
import { inUnit } from '../exact/quantity.ts'
import type { Demand } from '../rules/demand.ts'
import type { RequiredRow } from '../rules/requirements.ts'
import type { Parameter, StepKind } from '../rules/words.ts'
import { type Box, narrow, type Origin, unbounded } from './bounds.ts'

/** Rows of one table for one variant, of which one must be met wholly. */
export interface Demanded {
  readonly table: string
  readonly edition: number
  readonly variant: string
  readonly binds: boolean
  readonly inOrder: boolean
  readonly rows: readonly RequiredRow[]
}

export interface Choice {
  readonly box: Box
  /** Tables that cannot be met together with the others. */
  readonly dropped: readonly Demanded[]
  /** Whether what the box leaves can be built and passes what the caller asks. */
  readonly isSound: boolean
}

/** Rows tried for one step before the first choice is taken, sound or not: an author waits for the answer. */
const TRIES_MAX = 3_000
/** Building and checking a step takes as long as so many rows. */
const LEAF_TRIES = 30
/** Deeper than this no way back is looked for; so many tables for one step are no plan but a test of ours. */
const DEPTH_MAX = 500

/** @param isSound asked of a box that meets every table; where none passes, one that meets the tables is given. */
export function chooseRows(
  demanded: readonly Demanded[],
  { kind, isSound }: { readonly kind: StepKind; readonly isSound: (box: Box) => boolean },
): Choice {
  const asked = distinct(demanded).map((one) => ({ one, options: optionsOf(one) }))
  // What binds comes first, so that what only warns gives way to it.
  asked.sort((a, b) => Number(b.one.binds) - Number(a.one.binds))
  let box = unbounded
  const dropped: Demanded[] = []
  for (const { one, options } of asked) {
    const next = firstThatFits(box, options, kind, one.variant)
    if (next) box = next
    else dropped.push(one)
  }
  if (dropped.length === 0 && isSound(box)) return { box, dropped, isSound: true }
  if (asked.length <= DEPTH_MAX) {
    const sound = search(asked, kind, isSound)
    if (sound) return { box: sound, dropped: [], isSound: true }
    const met = dropped.length > 0 ? search(asked, kind, () => true) : undefined
    if (met) return { box: met, dropped: [], isSound: false }
  }
  return { box, dropped, isSound: dropped.length > 0 && isSound(box) }
}

interface Option {
  readonly demands: readonly Demand[]
  readonly origin: Origin
}

interface Asked {
  readonly one: Demanded
  readonly options: readonly Option[]
}

/** Depth first, in the order of preference; undefined where none is found in the tries there are. */
function search(asked: readonly Asked[], kind: StepKind, isSound: (box: Box) => boolean): Box | undefined {
  let triesLeft = TRIES_MAX
  const from = (index: number, box: Box): Box | undefined => {
    const next = asked[index]
    if (!next) {
      triesLeft -= LEAF_TRIES
      return isSound(box) ? box : undefined
    }
    for (const option of next.options) {
      if (triesLeft <= 0) return undefined
      triesLeft -= 1
      const narrowed = narrowAll(box, option, kind, next.one.variant)
      const found = narrowed && from(index + 1, narrowed)
      if (found) return found
    }
    return undefined
  }
  return from(0, unbounded)
}

function firstThatFits(box: Box, options: readonly Option[], kind: StepKind, variant: string): Box | undefined {
  for (const option of options) {
    const narrowed = narrowAll(box, option, kind, variant)
    if (narrowed) return narrowed
  }
  return undefined
}

function narrowAll(box: Box, { demands, origin }: Option, kind: StepKind, variant: string): Box | undefined {
  let narrowed: Box | undefined = box
  for (const demand of demands) narrowed = narrowed && narrow(narrowed, demand, { kind, variant, origin })
  return narrowed
}

/** The same rows for several variants are one demand, unless they are about limits, which differ by variant. */
function distinct(demanded: readonly Demanded[]): Demanded[] {
  const kept = new Map<string, Demanded>()
  for (const one of demanded) {
    const hasLimits = one.rows.some(({ demands }) => demands.some(({ parameter }) => parameter.startsWith('limit')))
    const rows = one.rows.map(({ row, demands }) => `${row.row} ${demands.map(wordsOf).join(', ')}`).join('; ')
    const key = `${one.table}/${one.edition} ${one.binds} ${hasLimits ? one.variant : ''} ${rows}`
    if (!kept.has(key)) kept.set(key, one)
  }
  return [...kept.values()]
}

function optionsOf({ table, edition, inOrder, rows }: Demanded): Option[] {
  const ordered = inOrder ? [...rows] : [...rows].sort((a, b) => byCost(a.demands, b.demands))
  return ordered.map((required) => {
    const { row, demands } = required
    const [source] = row.sources
    const others = ordered.filter((other) => other !== required).slice(0, INSTEAD_MAX)
    return {
      demands,
      origin: {
        rule: {
          table,
          edition,
          row: row.row,
          document: source?.document ?? null,
          documentEdition: source?.documentEdition ?? null,
          clause: source?.clause ?? null,
        },
        demands: demands.map(wordsOf).join(', '),
        instead: others.map((other) => `${other.row.row} (${other.demands.map(wordsOf).join(', ')})`).join(' or '),
      },
    }
  })
}

/** Alternatives that a reason names. */
const INSTEAD_MAX = 3

function byCost(a: readonly Demand[], b: readonly Demand[]): number {
  for (const parameter of ['dwell', 'testVoltage', 'testCurrent'] as const) {
    const side = compare(lowestOf(a, parameter), lowestOf(b, parameter))
    if (side !== 0) return side
  }
  return 0
}

function lowestOf(demands: readonly Demand[], parameter: Parameter) {
  for (const demand of demands) {
    if (demand.parameter !== parameter) continue
    if (demand.kind === 'range') return demand.lower.value
    if (demand.kind === 'number' && demand.relation !== '<=') return demand.value
  }
  return ZERO
}

/** A demand in words: `testVoltage >= 1200 V`. */
export function wordsOf(demand: Demand): string {
  switch (demand.kind) {
    case 'flag':
      return `${demand.parameter} = ${demand.flag}`
    case 'kinds':
      return `${demand.parameter} ${demand.kinds.join(', ')}`
    case 'number':
      return `${demand.parameter} ${demand.relation} ${formatDecimal(inUnit(demand.value, demand.unit))} ${demand.unit}`
    case 'range': {
      const { lower, upper, unit, parameter } = demand
      const text = (value: typeof lower.value) => formatDecimal(inUnit(value, unit))
      return `${parameter} in ${lower.open ? '(' : '['}${text(lower.value)}..${text(upper.value)}${upper.open ? ')' : ']'} ${unit}`
    }
  }
}
