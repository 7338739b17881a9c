/**
 * What the hits of a decision table come to (OMG DMN 1.5, section 8.2.8). One function for every table, whatever its
 * rows say: the caller says when two hits are the same, which goes before which, and what number each gives.
 */
import { add, compare, type Decimal, decimal, ZERO } from '../exact/decimal.ts'
import type { HitPolicy } from './words.ts'

export type Settled<Hit> =
  | { readonly kind: 'none' }
  | { readonly kind: 'one'; readonly hit: Hit }
  /** In the order that the policy gives them; under C that of the table, which then means nothing. */
  | { readonly kind: 'list'; readonly hits: readonly Hit[] }
  | { readonly kind: 'number'; readonly value: Decimal }
  /** The table says nothing: two rows under U, rows that differ under A, no number where one is aggregated. */
  | { readonly kind: 'broken'; readonly because: 'several' | 'different' | 'no-number' }

/** What a policy may have to know of hits; each is asked only by the policies that need it. */
export interface HitReader<Hit> {
  /** Whether two hits say the same in every output. */
  readonly same: (a: Hit, b: Hit) => boolean
  /** Places among the listed output values, one per output that lists them, first output first; less goes before. */
  readonly places: (hit: Hit) => readonly number[]
  /** The number that a single output gives. */
  readonly number: (hit: Hit) => Decimal | undefined
}

/** @param hits the rows that match, in the table's order */
export function settleHits<Hit>(policy: HitPolicy, hits: readonly Hit[], read: HitReader<Hit>): Settled<Hit> {
  const [first, ...others] = hits
  // A count of nothing is nothing (DMN returns null where no rule matches, whatever the policy).
  if (first === undefined) return { kind: 'none' }
  switch (policy) {
    case 'U':
      return others.length === 0 ? { kind: 'one', hit: first } : { kind: 'broken', because: 'several' }
    case 'A':
      if (others.every((other) => read.same(first, other))) return { kind: 'one', hit: first }
      return { kind: 'broken', because: 'different' }
    case 'F':
      return { kind: 'one', hit: first }
    case 'P': {
      const [best] = byPlaces(hits, read)
      return { kind: 'one', hit: best ?? first }
    }
    case 'R':
    case 'C':
      return { kind: 'list', hits }
    case 'O':
      return { kind: 'list', hits: byPlaces(hits, read) }
    case 'C#':
      return { kind: 'number', value: decimal(hits.length) }
    case 'C+':
    case 'C<':
    case 'C>':
      return aggregated(policy, hits, read)
  }
}

function aggregated<Hit>(policy: 'C+' | 'C<' | 'C>', hits: readonly Hit[], read: HitReader<Hit>): Settled<Hit> {
  const numbers = hits.map(read.number)
  let chosen: { readonly hit: Hit; readonly value: Decimal } | undefined
  let sum = ZERO
  for (const [index, hit] of hits.entries()) {
    const value = numbers[index]
    if (value === undefined) return { kind: 'broken', because: 'no-number' }
    sum = add(sum, value)
    if (!chosen || compare(value, chosen.value) === (policy === 'C<' ? -1 : 1)) chosen = { hit, value }
  }
  // Of the least and the greatest the hit is given as well: a demand is that of a row, not of a number.
  return policy === 'C+' || !chosen ? { kind: 'number', value: sum } : { kind: 'one', hit: chosen.hit }
}

/** In falling priority; hits of equal priority stay in the table's order. */
function byPlaces<Hit>(hits: readonly Hit[], read: HitReader<Hit>): Hit[] {
  const placed = hits.map((hit) => ({ hit, places: read.places(hit) }))
  placed.sort((a, b) => {
    for (const [index, place] of a.places.entries()) {
      const apart = place - (b.places[index] ?? 0)
      if (apart !== 0) return apart
    }
    return 0
  })
  return placed.map(({ hit }) => hit)
}
