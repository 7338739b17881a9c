/**
 * What rows leave uncovered. The geometric view (a row is a box, a gap is space that no box covers) and the search along
 * one axis after the other are those of Calvanese, Dumas, Laurson, Maggi, Montali, Teinemaa, "Semantics and analysis of DMN
 * decision tables" (BPM 2016, LNCS 9850, arXiv 1603.07466). The published sweep reports open rectangles, so it drops
 * edges that no row covers and rows that share a single point. Here the ends themselves are parts of an axis, so edges and
 * points are boxes like others; and instead of a sweep a row is cut out of what is left, the one that leaves least pieces
 * first, so that columns in which no row differs cost nothing.
 */
import { axisCount, type Box, cutsOf, type Space, sizeOf, without } from './space.ts'

/** Words that may still be looked at. What runs out of it is not finished, and says so. */
export interface Budget {
  left: number
}

/** After so many words a search lets others run; a few milliseconds. */
const PAUSE_WORK = 1_000_000

/** A search that gives way now and then, by yielding nothing. */
export type Search<Result> = Generator<undefined, Result, undefined>

/**
 * The boxes of `within` that no row covers, which do not overlap one another, each given to `found` as soon as it is
 * known; `found` ends the search by answering false.
 * @returns whether all of `within` was searched, or `found` ended it
 */
export function* searchUncovered(
  space: Space,
  { rows, within, budget }: { readonly rows: readonly Box[]; readonly within: Box; readonly budget: Budget },
  found: (box: Box) => boolean,
): Search<boolean> {
  const open: { readonly box: Box; readonly rows: readonly Box[] }[] = [{ box: within, rows }]
  const size = Math.max(1, sizeOf(space))
  let pauseAt = budget.left - PAUSE_WORK
  for (let next = open.pop(); next; next = open.pop()) {
    // Each piece is written along every axis.
    budget.left -= size * (next.rows.length + 4 * axisCount(space))
    if (budget.left < 0) return false
    if (budget.left < pauseAt) {
      pauseAt = budget.left - PAUSE_WORK
      yield
    }
    const { box } = next
    const meeting: Box[] = []
    let best: Box | undefined
    let fewest = Number.POSITIVE_INFINITY
    for (const row of next.rows) {
      const cuts = cutsOf(space, box, row)
      if (cuts < 0) continue
      meeting.push(row)
      if (cuts < fewest) {
        fewest = cuts
        best = row
        if (cuts === 0) break
      }
    }
    if (!best) {
      if (!found(box)) return true
    } else if (fewest > 0) {
      for (const piece of without(space, box, best)) open.push({ box: piece, rows: meeting })
    }
  }
  return true
}

/** The largest box around an uncovered one that no row meets, grown along one axis after the other within `domain`. */
export function widen(
  space: Space,
  box: Box,
  { rows, domain }: { readonly rows: readonly Box[]; readonly domain: Box },
) {
  const wide = box.slice()
  for (let axis = 0; axis < axisCount(space); axis += 1) {
    const from = space.offsets[axis] ?? 0
    const end = space.offsets[axis + 1] ?? 0
    // Along this axis as far as the rows go that meet the box along all others.
    const probe = wide.slice()
    for (let at = from; at < end; at += 1) probe[at] = 0xffffffff
    const free = domain.slice(from, end)
    for (const row of rows) {
      if (cutsOf(space, probe, row) < 0) continue
      for (let at = from; at < end; at += 1) free[at - from] = (free[at - from] ?? 0) & ~(row[at] ?? 0)
    }
    wide.set(free, from)
  }
  return wide
}

/**
 * Maximal boxes that no row meets and that together are all that no row covers. They may overlap one another.
 * @returns the boxes, and whether these are all
 */
export function* searchGaps(
  space: Space,
  searched: { readonly rows: readonly Box[]; readonly within: Box; readonly budget: Budget; readonly boxesMax: number },
): Search<{ readonly boxes: readonly Box[]; readonly complete: boolean }> {
  const { rows, within, budget, boxesMax } = searched
  const boxes: Box[] = []
  const size = sizeOf(space)
  let complete = true
  const searchedAll = yield* searchUncovered(space, { rows, within, budget }, (box) => {
    budget.left -= boxes.length * size
    if (boxes.some((wider) => cutsOf(space, box, wider) === 0)) return true
    if (boxes.length === boxesMax) {
      complete = false
      return false
    }
    budget.left -= 2 * axisCount(space) * rows.length * size
    boxes.push(widen(space, box, { rows, domain: within }))
    return true
  })
  return { boxes, complete: complete && searchedAll }
}
