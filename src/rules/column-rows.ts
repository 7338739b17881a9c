/**
 * One input column turned round: instead of asking every row about a value, the column's values are cut into regions in
 * which every row's test holds or fails throughout, and each region knows its rows. Numbers are cut at every end that a
 * test names: each end is a region, and so is each gap between two. Rows are bits, 32 to a number, so that the rows that
 * match in all columns are a bitwise and.
 */
import { compare, type Decimal } from '../exact/decimal.ts'
import type { AttributeValue } from '../products/attributes.ts'
import type { CompiledTest } from './feel-tests.ts'

/** A set of rows, one bit each. */
export type RowBits = Uint32Array

export interface ColumnRows {
  /** The rows whose test holds for the value; none where the column's `values` do not allow it. */
  readonly rowsAt: (value: AttributeValue) => RowBits
  /** The rows whose test holds for any value, and so for an absent one. */
  readonly rowsAnyway: RowBits
}

/** Distinct ends or words in one column. A table with more is a list, not a rule; the bound keeps regions small. */
export const ENDS_MAX = 1000

/** Cuts a column into regions; 'too-many' where its cells name more than ENDS_MAX distinct values. */
export function columnRows(tests: readonly CompiledTest[], allowed: CompiledTest | undefined): ColumnRows | 'too-many' {
  const everything = allowed ? [...tests, allowed] : tests
  const rowsAnyway = emptyBits(tests.length)
  for (const [row, test] of tests.entries()) if (test.any) setBit(rowsAnyway, row)

  const isNumeric = everything.some((test) => test.spans.length > 0)
  const cut = isNumeric ? cutNumbers(everything) : cutWords(everything)
  if (cut.named.length > ENDS_MAX) return 'too-many'
  const permitted = allowed ? cut.regionsOf(allowed) : undefined
  const regions = Array.from({ length: cut.regions }, () => emptyBits(tests.length))
  for (const [row, test] of tests.entries()) {
    const holds = cut.regionsOf(test)
    for (const [region, bits] of regions.entries()) {
      if (holds[region] === 1 && (!permitted || permitted[region] === 1)) setBit(bits, row)
    }
  }
  const nowhere = emptyBits(tests.length)
  return { rowsAt: (value) => regions[cut.regionAt(value)] ?? nowhere, rowsAnyway }
}

/**
 * The rows that match in every column, ascending: `known` of the columns whose value is known, `unknown` of those where
 * it is not. A row is certain where the unknown values cannot matter to it.
 */
export function rowsInAll(
  { known, unknown }: { readonly known: readonly RowBits[]; readonly unknown: readonly RowBits[] },
  count: number,
): { readonly index: number; readonly isCertain: boolean }[] {
  const rows: { index: number; isCertain: boolean }[] = []
  for (let from = 0; from < count; from += 32) {
    let possible = -1
    for (const bits of known) possible &= bits[from >>> 5] ?? 0
    let certain = possible
    for (const bits of unknown) certain &= bits[from >>> 5] ?? 0
    for (let bit = 0, left = possible; left !== 0 && from + bit < count; bit += 1, left >>>= 1) {
      if ((left & 1) === 1) rows.push({ index: from + bit, isCertain: ((certain >>> bit) & 1) === 1 })
    }
  }
  return rows
}

export function emptyBits(count: number): RowBits {
  return new Uint32Array(Math.ceil(count / 32))
}

export function setBit(bits: RowBits, index: number): void {
  const word = index >>> 5
  bits[word] = (bits[word] ?? 0) | (1 << (index & 31))
}

/** A column in regions. */
export interface Cut<Named> {
  /** The ends in ascending order, or the words in the order in which they are first named. */
  readonly named: readonly Named[]
  readonly regions: number
  readonly regionAt: (value: AttributeValue) => number
  /** Per region 1 where the test holds. */
  readonly regionsOf: (test: CompiledTest) => Uint8Array
}

/** Regions of k ends in ascending order: 2i is the gap before end i, 2i + 1 the end itself, 2k the gap after the last. */
export function cutNumbers(tests: readonly CompiledTest[]): Cut<Decimal> {
  const named = tests.flatMap(({ spans }) => spans.flatMap(({ lower, upper }) => [lower, upper]))
  const sorted = named.flatMap((end) => (end ? [end.value] : [])).sort(compare)
  const ends = sorted.filter((value, index) => {
    const before = sorted[index - 1]
    return !before || compare(before, value) !== 0
  })
  const regions = 2 * ends.length + 1
  const regionAt = (value: AttributeValue): number => {
    if (typeof value !== 'object') throw new TypeError('a word stands where a number was declared')
    return regionOfNumber(ends, value)
  }
  const regionsOf = (test: CompiledTest): Uint8Array => {
    const holds = new Uint8Array(regions).fill(test.any || test.negated ? 1 : 0)
    for (const { lower, upper } of test.spans) {
      const from = lower ? regionOfNumber(ends, lower.value) + (lower.open ? 1 : 0) : 0
      const to = upper ? regionOfNumber(ends, upper.value) - (upper.open ? 1 : 0) : regions - 1
      holds.fill(test.negated ? 0 : 1, from, to + 1)
    }
    return holds
  }
  return { named: ends, regions, regionAt, regionsOf }
}

function regionOfNumber(ends: readonly Decimal[], value: Decimal): number {
  let from = 0
  let to = ends.length
  while (from < to) {
    const middle = (from + to) >>> 1
    const end = ends[middle]
    const side = end ? compare(value, end) : 0
    if (side === 0) return 2 * middle + 1
    if (side < 0) to = middle
    else from = middle + 1
  }
  return 2 * from
}

/** Regions of words: one for each that a test names, and a last one for all others. */
export function cutWords(tests: readonly CompiledTest[]): Cut<string | boolean> {
  const words = [...new Set(tests.flatMap((test) => test.words))]
  const places = new Map(words.map((word, region) => [word, region]))
  const regionAt = (value: AttributeValue): number => {
    if (typeof value !== 'object') return places.get(value) ?? words.length
    // A column whose cells are all `-` has one region, whatever it holds.
    if (words.length === 0) return 0
    throw new TypeError('a number stands where a word or truth value was declared')
  }
  const regionsOf = (test: CompiledTest): Uint8Array => {
    const holds = new Uint8Array(words.length + 1).fill(test.any || test.negated ? 1 : 0)
    for (const word of test.words) holds[places.get(word) ?? words.length] = test.negated ? 0 : 1
    return holds
  }
  return { named: words, regions: words.length + 1, regionAt, regionsOf }
}
