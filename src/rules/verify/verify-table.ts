/**
 * A rule table looked at as a table: which rows overlap, what no row covers, which rows never count, which cells have no
 * result. Every finding has an input that shows it. Exact, ends of ranges and single points included; what a bound of work
 * cuts off is named in `unfinished`. The method: `cover.ts`.
 */
import type { CompiledTable } from '../compile-table.ts'
import type { EditionContent } from '../words.ts'
import { type Search, searchGaps } from './cover.ts'
import { findIdleRows } from './idle-rows.ts'
import { findNoResults } from './no-results.ts'
import { edgesOfGap, findOverlaps, writeGap } from './overlaps.ts'
import { type Edge, type Gap, type Listed, listing, type TableVerification } from './report.ts'
import { layOut } from './rows.ts'
import { isEmptyBox } from './space.ts'

/** Bounds of work, so that no table keeps the service; each is about half a second. Sizes in words, see `Budget`. */
const GAPS_WORK = 100_000_000
const ROWS_WORK = 100_000_000
/** In sizes of formulas, see `searchHazard`. */
const RESULTS_WORK = 1_000_000
/** Gaps found before the search for more is given up. */
const GAPS_MAX = 1000

/** @param content the content that `table` was compiled from */
export function* verifyTable(content: EditionContent, table: CompiledTable): Search<Omit<TableVerification, 'digest'>> {
  const verified = yield* layOut(content, table)
  const { domain, rows, space, unfinished } = verified
  const edges = listing<Edge>()
  const overlaps = yield* findOverlaps(verified, edges)
  const gaps = listing<Gap>()
  const neverApplies = isEmptyBox(space, domain)
  if (!neverApplies) {
    const searched = { rows, within: domain, budget: { left: GAPS_WORK }, boxesMax: GAPS_MAX }
    const { boxes, complete } = yield* searchGaps(space, searched)
    if (!complete) unfinished.add('gaps')
    for (const box of boxes) {
      const atEdges = edgesOfGap(verified, box)
      gaps.add('suspicious', () => writeGap(verified, box))
      for (const edge of atEdges) edges.add(edge.severity, () => edge)
      yield
    }
  }
  const { idleRows, counting } = yield* findIdleRows(verified, { left: ROWS_WORK })
  const noResults = yield* findNoResults(verified, counting, { left: RESULTS_WORK })
  return {
    table: table.table,
    edition: table.edition,
    hitPolicy: table.hitPolicy,
    neverApplies,
    ...counted('overlap', overlaps),
    ...counted('gap', gaps.listed()),
    ...counted('edge', edges.listed()),
    ...counted('idleRow', idleRows),
    ...counted('noResult', noResults),
    unfinished: [...unfinished],
  }
}

/** A list under its own name and its count beside it. */
function counted<const Name extends string, Item>(name: Name, { count, items }: Listed<Item>) {
  return { [`${name}Count`]: count, [`${name}s`]: [...items] } as Record<`${Name}Count`, number> &
    Record<`${Name}s`, Item[]>
}
