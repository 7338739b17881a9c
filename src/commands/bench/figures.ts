/** The middle value; of an even number the mean of the two middle ones. Throws for none. */
export function median(values: readonly number[]): number {
  const sorted = [...values].sort((a, b) => a - b)
  const low = sorted[Math.floor((sorted.length - 1) / 2)]
  const high = sorted[Math.floor(sorted.length / 2)]
  if (low === undefined || high === undefined) throw new RangeError('no values have no median')
  return (low + high) / 2
}

/** The smallest value that at least `share` (0 to 1) of all do not exceed (nearest rank). Throws for none. */
export function quantile(values: readonly number[], share: number): number {
  const sorted = [...values].sort((a, b) => a - b)
  const value = sorted[Math.min(sorted.length - 1, Math.max(0, Math.ceil(sorted.length * share) - 1))]
  if (value === undefined) throw new RangeError('no values have no quantile')
  return value
}

export const PAIRS = 5

export interface Pair {
  readonly ours: number
  readonly baseline: number
}

/**
 * Five pairs, one measurement right after the other and each first in turn, so that what else the machine does falls on
 * both alike.
 */
export async function interleavedPairs(
  baseline: () => Promise<number>,
  ours: () => Promise<number>,
  tell: (pair: Pair, number: number) => void,
): Promise<readonly Pair[]> {
  const pairs: Pair[] = []
  for (let number = 1; number <= PAIRS; number += 1) {
    const isOursFirst = number % 2 === 0
    const before = isOursFirst ? await ours() : undefined
    const other = await baseline()
    const pair = { ours: before ?? (await ours()), baseline: other }
    pairs.push(pair)
    tell(pair, number)
  }
  return pairs
}

/** Ours divided by the baseline, pair by pair; the median of these. */
export function medianRatio(pairs: readonly Pair[]): number {
  return median(pairs.map(({ ours, baseline }) => ours / baseline))
}

/** Four significant digits: more would be noise. */
export function shown(value: number): number {
  return Number(value.toPrecision(4))
}
