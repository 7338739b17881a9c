import { LISTED_MAX, type Severity } from './report.ts'

/** A list of which the first are kept, the worst before others, and all counted. */
export interface Listed<Item> {
  readonly count: number
  readonly items: readonly Item[]
}

export interface Listing<Item> {
  readonly add: (severity: Severity, item: () => Item) => void
  readonly listed: () => Listed<Item>
}

/** Keeps the first items, the worst before others, and makes no more of them than it keeps. */
export function listing<Item>(): Listing<Item> {
  const kept: Record<Severity, Item[]> = { wrong: [], suspicious: [], meant: [] }
  let count = 0
  return {
    add: (severity, item) => {
      count += 1
      if (kept[severity].length < LISTED_MAX) kept[severity].push(item())
    },
    listed: () => ({ count, items: [...kept.wrong, ...kept.suspicious, ...kept.meant].slice(0, LISTED_MAX) }),
  }
}
