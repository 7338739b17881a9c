/** Rows that never count, and what is left of the others once rows that go before them are taken away. */
import { type Budget, type Search, searchUncovered } from './cover.ts'
import { leavesAlternatives } from './overlaps.ts'
import { exampleIn, writeBox, writeExample } from './region.ts'
import { type IdleReason, type IdleRow, type Listed, listing } from './report.ts'
import { agreementOf, keyOf, takesPlace, type Verified } from './rows.ts'
import { type Box, cutsOf, isEmptyBox, meet } from './space.ts'

/** Boxes kept of what is left of one row: a row cut into more is searched in these. */
const PIECES_MAX = 200

export interface RowsThatCount {
  readonly idleRows: Listed<IdleRow>
  /** By row, where it is the row that counts, as far as its cells make that worth searching; an idle one has none. */
  readonly counting: readonly (readonly Box[])[]
}

export function* findIdleRows(verified: Verified, budget: Budget): Search<RowsThatCount> {
  const { rows, space, table } = verified
  const idleRows = listing<IdleRow>()
  const counting: Box[][] = []
  for (const [row, box] of rows.entries()) {
    counting.push([])
    if (isEmptyBox(space, box)) {
      idleRows.add('suspicious', () => written(verified, row, { because: 'matches-nothing', by: [] }))
      continue
    }
    const twin = leavesAlternatives(table) || table.hitPolicy === 'A' ? rowThatSaysIt(verified, row) : undefined
    if (twin !== undefined) {
      idleRows.add('suspicious', () => written(verified, row, { because: 'says-nothing-new', by: [twin] }))
    }
    const before = rows.flatMap((other, index) =>
      takesPlace(table, index, row) && cutsOf(space, box, other) >= 0 ? [{ index, box: other }] : [],
    )
    const left = counting[row] ?? []
    const taking = before.map((other) => other.box)
    const isSearchedOn = verified.cells[row]?.some((cell) => cell && cell.hazards.length > 0) ?? false
    const piecesMax = isSearchedOn ? PIECES_MAX : 1
    const isDone = yield* searchUncovered(space, { rows: taking, within: box, budget }, (piece) => {
      left.push(piece)
      return left.length < piecesMax
    })
    if (!isDone && left.length === 0) verified.unfinished.add('rows')
    if (isSearchedOn && (!isDone || left.length === PIECES_MAX)) verified.unfinished.add('results')
    if (isDone && left.length === 0) {
      const by = before.map(({ index }) => index)
      idleRows.add('suspicious', () => written(verified, row, { because: 'taken-by-others', by }))
    }
  }
  return { idleRows: idleRows.listed(), counting }
}

/** A row that matches wherever this one does, demands the same, and binds where this one binds; the first of twins stays. */
function rowThatSaysIt({ rows, space, table, cells }: Verified, row: number): number | undefined {
  const box = rows[row]
  if (!box) return undefined
  const found = rows.findIndex((other, index) => {
    if (index === row || cutsOf(space, box, other) !== 0) return false
    if (table.rows[row]?.verifiedRoutine && !table.rows[index]?.verifiedRoutine) return false
    if (agreementOf(cells[row] ?? [], cells[index] ?? []) !== 'same') return false
    const isTwin =
      cutsOf(space, other, box) === 0 && table.rows[row]?.verifiedRoutine === table.rows[index]?.verifiedRoutine
    return !isTwin || index < row
  })
  return found < 0 ? undefined : found
}

function written(
  verified: Verified,
  row: number,
  { because, by }: { readonly because: IdleReason; readonly by: readonly number[] },
): IdleRow {
  const { rows, space } = verified
  const box = rows[row] ?? new Uint32Array(0)
  const said = { row: keyOf(verified, row), because, severity: 'suspicious' as const }
  if (isEmptyBox(space, box)) return { ...said, by: [], region: [], example: null }
  const first = by.map((index) => rows[index]).find((other) => other && cutsOf(space, box, other) >= 0)
  const shown = (first && meet(space, box, first)) ?? box
  const input = exampleIn(verified, shown)
  // Of all rows that go before, those that match at the example.
  const there = by.filter((index) => {
    const other = rows[index]
    return other !== undefined && cutsOf(space, shown, other) === 0
  })
  return {
    ...said,
    by: there.slice(0, LISTED_ROWS_MAX).map((index) => keyOf(verified, index)),
    region: writeBox(verified, box),
    example: writeExample(verified, input),
  }
}

/** Rows named beside an idle one. */
const LISTED_ROWS_MAX = 10
