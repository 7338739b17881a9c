/** Pairs of rows that match the same inputs, and edges of ranges. */
import type { Decimal } from '../../exact/decimal.ts'
import type { AttributeValue } from '../../products/attributes.ts'
import type { CompiledTable } from '../compile-table.ts'
import type { Axis } from './axes.ts'
import type { Budget, Search } from './cover.ts'
import { candidates } from './expressions.ts'
import { canonical, exampleIn, pointsIn, spansIn, writeBox, writeExample, writeValue } from './region.ts'
import {
  type Agreement,
  type Edge,
  type Gap,
  type Listed,
  type Listing,
  listing,
  type Overlap,
  type Severity,
} from './report.ts'
import { agreementOf, differAt, inputIn, keyOf, type Verified } from './rows.ts'
import { type Box, cutsOf, meet, sideOf } from './space.ts'

/** The places of two rows. */
type Pair = readonly [number, number]

/** Pairs between which the search gives way to others. */
const PAUSE_PAIRS = 1000
/** What comparing formulas input by input may cost in all, in sizes of cells. */
const COMPARE_WORK = 500_000

/** @param edges also takes the edges that two rows share */
export function* findOverlaps(verified: Verified, edges: Listing<Edge>): Search<Listed<Overlap>> {
  const { rows, space } = verified
  const overlaps = listing<Overlap>()
  let pairs = 0
  const budget: Budget = { left: COMPARE_WORK }
  for (const [first, box] of rows.entries()) {
    for (let second = first + 1; second < rows.length; second += 1) {
      pairs += 1
      if (pairs % PAUSE_PAIRS === 0) yield
      const other = rows[second]
      const both = other && cutsOf(space, box, other) >= 0 ? meet(space, box, other) : undefined
      if (!both) continue
      const pair: Pair = [first, second]
      let agreement: Agreement = agreementOf(verified.cells[first] ?? [], verified.cells[second] ?? [])
      let shown: ReadonlyMap<string, AttributeValue> | undefined
      if (agreement === 'undecided' && asksDemands(verified)) {
        if (budget.left < 0) verified.unfinished.add('demands')
        else shown = inputThatDiffers(verified, both, { pair, budget })
        if (shown) agreement = 'different'
        yield
      }
      const severity = severityOf(verified, pair, agreement)
      overlaps.add(severity, () => ({
        rows: pair.map((row) => keyOf(verified, row)),
        demands: agreement,
        severity,
        region: writeBox(verified, both),
        example: writeExample(verified, shown ?? exampleIn(verified, both)),
      }))
      for (const edge of edgesTwice(verified, both, { pair, severity, agreement })) edges.add(edge.severity, () => edge)
    }
  }
  return overlaps.listed()
}

/** Whether all rows that match stand beside one another. */
export function leavesAlternatives({ hitPolicy }: CompiledTable): boolean {
  return hitPolicy === 'C' || hitPolicy === 'R' || hitPolicy === 'O'
}

/** Whether it matters under the hit policy what overlapping rows demand. */
function asksDemands({ table: { hitPolicy } }: Verified): boolean {
  return hitPolicy === 'A' || hitPolicy === 'P'
}

function severityOf({ table }: Verified, [a, b]: Pair, agreement: Agreement): Severity {
  switch (table.hitPolicy) {
    case 'U':
      return 'wrong'
    case 'A':
      return agreement === 'different' ? 'wrong' : agreement === 'undecided' ? 'suspicious' : 'meant'
    case 'P': {
      // Between rows of one priority the order of the table decides, which the policy does not speak of.
      const isTie = table.rows[a]?.places.join() === table.rows[b]?.places.join()
      return isTie && agreement !== 'same' ? 'suspicious' : 'meant'
    }
    default:
      return 'meant'
  }
}

/** An input in the box for which two rows demand different things; undefined where none of those tried does. */
function inputThatDiffers(
  verified: Verified,
  box: Box,
  { pair: [a, b], budget }: { readonly pair: Pair; readonly budget: Budget },
): ReadonlyMap<string, AttributeValue> | undefined {
  const [own, theirs] = [verified.cells[a] ?? [], verified.cells[b] ?? []]
  const all = [...own, ...theirs]
  const size = all.reduce((sum, cell) => sum + (cell?.size ?? 0), 0)
  const attributes = all.flatMap((cell) => cell?.attributes ?? [])
  for (const given of inputsTried(verified, box, attributes)) {
    budget.left -= size
    const input = inputIn(verified, box, given)
    if (differAt(own, theirs, input)) return input
  }
  return undefined
}

/** Of more attributes or ranges than this only the first are varied. */
const TRIED_MAX = 50

function inputsTried({ axes, space }: Verified, box: Box, attributes: readonly string[]): Map<string, Decimal>[] {
  let tried: Map<string, Decimal>[] = [new Map()]
  for (const [index, axis] of axes.entries()) {
    if (axis.type !== 'number' || !attributes.includes(axis.attribute)) continue
    const values = spansIn(axis, sideOf(space, box, index)).flatMap(candidates)
    const next = tried.flatMap((given) =>
      values.map((value) => new Map([...given, [axis.attribute, canonical(value, axis.unit)]])),
    )
    tried = next.slice(0, TRIED_MAX)
  }
  return tried
}

/** Where two rows share only the end of a range along an axis. Rows that name single values share these on purpose. */
function edgesTwice(
  verified: Verified,
  box: Box,
  { pair, severity, agreement }: { readonly pair: Pair; readonly severity: Severity; readonly agreement: Agreement },
): Edge[] {
  const { axes, space, table } = verified
  return axes.flatMap((axis, index) => {
    const side = sideOf(space, box, index)
    // Nearly all pairs share more; these are passed over without looking at every number of the axis.
    if (axis.type !== 'number' || side.some((word, at) => (word & ~(axis.endParts[at] ?? 0)) !== 0)) return []
    const points = pointsIn(axis, side)
    if (points.alone.length < points.runs) return []
    // Alternatives that meet at an edge let the weaker one be chosen there.
    const isSlip = severity === 'meant' && agreement !== 'same' && leavesAlternatives(table)
    const worse = isSlip ? 'suspicious' : severity
    const rows = pair.map((row) => keyOf(verified, row))
    return points.alone.map((value) => edgeAt(verified, box, { axis, value, covered: 'twice', rows, severity: worse }))
  })
}

/** Ends of ranges that a gap leaves uncovered while the numbers next to them are covered. */
export function edgesOfGap(verified: Verified, box: Box): Edge[] {
  const { axes, space } = verified
  return axes.flatMap((axis, index) => {
    if (axis.type !== 'number') return []
    return pointsIn(axis, sideOf(space, box, index)).alone.map((value) =>
      edgeAt(verified, box, { axis, value, covered: 'not-at-all', rows: [], severity: 'suspicious' }),
    )
  })
}

function edgeAt(
  verified: Verified,
  box: Box,
  edge: Pick<Edge, 'covered' | 'rows' | 'severity'> & { readonly axis: Axis; readonly value: Decimal },
): Edge {
  const { axis, value, ...said } = edge
  const at = writeValue(axis, value)
  const region = writeBox(verified, box).map((side) =>
    side.attribute === axis.attribute ? { ...side, tests: at.value } : side,
  )
  const example = writeExample(verified, inputIn(verified, box, new Map([[axis.attribute, value]])))
  return { ...at, ...said, region, example }
}

export function writeGap(verified: Verified, box: Box): Gap {
  return {
    severity: 'suspicious',
    region: writeBox(verified, box),
    example: writeExample(verified, exampleIn(verified, box)),
  }
}
