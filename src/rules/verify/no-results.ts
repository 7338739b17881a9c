/** Output cells that have no result for some input of their row, with that input. */
import type { Decimal } from '../../exact/decimal.ts'
import type { Span } from '../feel-tests.ts'
import type { Budget, Search } from './cover.ts'
import { type Found, type Hazard, searchHazard } from './expressions.ts'
import { canonical, spansIn, writeBox, writeExample } from './region.ts'
import { type Listed, listing, type NoResultOfCell } from './report.ts'
import { type Cell, inputIn, keyOf, type Verified } from './rows.ts'
import { type Box, sideOf } from './space.ts'

/** @param counting where each row is one that counts */
export function* findNoResults(
  verified: Verified,
  counting: readonly (readonly Box[])[],
  budget: Budget,
): Search<Listed<NoResultOfCell>> {
  const results = listing<NoResultOfCell>()
  for (const [row, boxes] of counting.entries()) {
    for (const [column, cell] of (verified.cells[row] ?? []).entries()) {
      if (!cell) continue
      const { hazard, found, box } = yield* searchCell(verified, cell, boxes, budget)
      if (!hazard || found === 'never') continue
      if (found === 'undecided') verified.unfinished.add('results')
      const isShown = found !== 'undecided'
      const severity = isShown ? 'wrong' : 'suspicious'
      results.add(severity, () => ({
        row: keyOf(verified, row),
        parameter: cell.output.parameter,
        pointer: `#/content/rows/${row}/then/${column}`,
        because: hazard.because,
        isShown,
        severity,
        region: writeBox(verified, box),
        example: isShown ? writeExample(verified, inputAt(verified, box, { hazard, numbers: found.numbers })) : null,
      }))
    }
  }
  return results.listed()
}

interface Searched {
  readonly found: Found
  readonly box: Box
  /** What was looked for. */
  readonly hazard?: Hazard
}

/** The first of a cell's hazards that is shown, else one that was not excluded. */
function* searchCell(verified: Verified, cell: Cell, boxes: readonly Box[], budget: Budget): Search<Searched> {
  let worst: Searched = { found: 'never', box: new Uint32Array(0) }
  for (const hazard of cell.hazards) {
    const { found, box } = yield* searchBoxes(verified, hazard, boxes, budget)
    if (typeof found === 'object') return { found, box, hazard }
    if (found === 'undecided' && worst.found === 'never') worst = { found, box, hazard }
  }
  return worst
}

/** The first box with an input that shows it, else one where it was not excluded. */
function* searchBoxes(verified: Verified, hazard: Hazard, boxes: readonly Box[], budget: Budget): Search<Searched> {
  let open: Box | undefined
  for (const box of boxes) {
    for (const sides of sidesOf(verified, hazard, box)) {
      const found = budget.left < 0 ? 'undecided' : yield* searchHazard(hazard, sides, budget)
      if (typeof found === 'object') return { found, box }
      if (found === 'undecided') open ??= box
      if (budget.left < 0) return { found: 'undecided', box }
    }
  }
  return open ? { found: 'undecided', box: open } : { found: 'never', box: new Uint32Array(0) }
}

/** The spans of the hazard's attributes in a box, one for each combination of ranges. */
function* sidesOf(verified: Verified, hazard: Hazard, box: Box, from = 0): Generator<readonly Span[]> {
  const { axes, space } = verified
  const name = hazard.attributes[from]
  if (name === undefined) {
    yield []
    return
  }
  const index = axes.findIndex(({ attribute }) => attribute === name)
  const axis = axes[index]
  if (axis?.type !== 'number') throw new TypeError(`${name} passed the compiler as a number`)
  for (const span of spansIn(axis, sideOf(space, box, index))) {
    for (const others of sidesOf(verified, hazard, box, from + 1)) yield [span, ...others]
  }
}

function inputAt(verified: Verified, box: Box, { hazard, numbers }: { hazard: Hazard; numbers: readonly Decimal[] }) {
  const given = hazard.attributes.flatMap((name, index): [string, Decimal][] => {
    const value = numbers[index]
    return value ? [[name, canonical(value, verified.axes.find(({ attribute }) => attribute === name)?.unit)]] : []
  })
  return inputIn(verified, box, new Map(given))
}
