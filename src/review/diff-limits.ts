import { type Decimal, formatDecimal } from '../exact/decimal.ts'
import { canonical } from '../plans/windows.ts'
import { type Limit, limitText, unitCode } from '../plans/words.ts'
import {
  arrival,
  type Difference,
  directionOf,
  type Maybe,
  numberSide,
  percentOf,
  type Tighter,
  whole,
} from './diff-values.ts'
import type { LimitSide } from './diff-words.ts'

/** A limit for one variant. */
interface Bound {
  readonly value: Decimal
  readonly inclusive: boolean
  readonly side: LimitSide
}

/**
 * A limit, variant by variant; variants that change alike are told together. A limit that itself no longer passes is
 * tighter. What the limit is computed from is told beside the numbers.
 */
export function compareLimits(from: Maybe<Limit>, to: Maybe<Limit>, tighter: Tighter): Difference[] {
  const named = new Set([...Object.keys(to?.byVariant ?? {}), ...Object.keys(from?.byVariant ?? {})])
  const told = new Map<string, { difference: Difference; variants: string[] }>()
  for (const variant of named.size === 0 ? [null] : named) {
    const [before, now] = [boundOf(from, variant), boundOf(to, variant)]
    const difference = compareBounds(before, now, tighter)
    if (difference === null) continue
    const key = `${boundKey(before)} ${boundKey(now)}`
    const alike = told.get(key) ?? { difference, variants: [] }
    if (variant !== null) alike.variants.push(variant)
    told.set(key, alike)
  }
  const values = [...told.values()].map(({ difference, variants }) => ({
    ...difference,
    at: difference.at || boundAt(difference.kind === 'removed' ? from : to, variants),
    variants: variants.length === 0 ? null : variants,
  }))
  return [...values, ...(from && to ? compareFormulas(from, to) : [])]
}

function boundOf(limit: Maybe<Limit>, variant: string | null): Bound | undefined {
  const text = limit ? limitText(limit, variant ?? '') : undefined
  if (!limit || text === undefined) return undefined
  const { unit, inclusive } = limit
  const value = canonical(text, unit)
  return { value, inclusive, side: { ...numberSide(value, unit), inclusive } }
}

function boundKey(bound: Bound | undefined): string {
  return bound === undefined ? '-' : `${formatDecimal(bound.value)} ${bound.inclusive}`
}

function boundAt(limit: Maybe<Limit>, variants: readonly string[]): string {
  if (!limit?.byVariant) return '/value'
  return variants.length === 1 ? `/byVariant/${variants[0]}` : '/byVariant'
}

function compareBounds(before: Bound | undefined, now: Bound | undefined, tighter: Tighter): Difference | null {
  if (!before || !now) return arrival(before?.side ?? null, now?.side ?? null)[0] ?? null
  const direction = directionOf(before.value, now.value, tighter)
  const both = { ...whole, from: before.side, to: now.side }
  if (direction !== null) return { ...both, kind: direction, changePercent: percentOf(before.value, now.value) }
  if (before.inclusive === now.inclusive) return null
  return { ...both, kind: now.inclusive ? 'loosened' : 'tightened', at: '/inclusive' }
}

/** A formula is in its limit's unit, so the same text in another unit is another formula. */
function compareFormulas(from: Limit, to: Limit): Difference[] {
  const isUnitKept = unitCode(from.unit) === unitCode(to.unit)
  const [before, now] = [from.formula ?? null, to.formula ?? null]
  if (before === now && (isUnitKept || now === null)) return []
  const written = (formula: string | null, unit: string) =>
    formula === null || isUnitKept ? formula : `${formula} [${unitCode(unit)}]`
  // Blanks only part the words of a formula; it has no text in quotes.
  const isReworded = isUnitKept && before !== null && now !== null && wordsIn(before) === wordsIn(now)
  return [
    {
      ...whole,
      kind: isReworded ? 'reworded' : 'changed',
      at: now === null ? '' : '/formula',
      aspect: 'formula',
      from: written(before, from.unit),
      to: written(now, to.unit),
    },
  ]
}

function wordsIn(formula: string): string {
  return (formula.match(/[\p{L}\p{N}_.]+|\S/gu) ?? []).join(' ')
}
