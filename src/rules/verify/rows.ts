/**
 * A compiled table laid out for verification, and what two of its rows are to each other: whether they demand the same,
 * and which takes the other's place.
 */
import { compare, type Decimal } from '../../exact/decimal.ts'
import type { AttributeValue } from '../../products/attributes.ts'
import type { CompiledRow, CompiledTable } from '../compile-table.ts'
import { sameDemands } from '../demand.ts'
import { type DemandCell, type Output, readOutput } from '../output-column.ts'
import type { EditionContent } from '../words.ts'
import { type Axes, axesOf, columnsOf } from './axes.ts'
import type { Search } from './cover.ts'
import { readWorked, type Worked } from './expressions.ts'
import { exampleIn } from './region.ts'
import type { Agreement, UnfinishedPart } from './report.ts'
import type { Box } from './space.ts'

/** What every search over a table shares. */
export interface Verified extends Axes {
  readonly table: CompiledTable
  /** The output cells of each row. */
  readonly cells: readonly (readonly (Cell | undefined)[])[]
  /** What was given up. */
  readonly unfinished: Set<UnfinishedPart>
}

export function* layOut(content: EditionContent, table: CompiledTable): Search<Verified> {
  const axes = yield* axesOf(columnsOf(content, table), content.rows.length)
  const cells = yield* cellsOf(content, table)
  return { ...axes, table, cells, unfinished: new Set() }
}

/** The key of a row by its place. */
export function keyOf({ table }: Verified, row: number): string {
  return table.rows[row]?.row ?? ''
}

/** One input in the box, with some of its values given; canonical. */
export function inputIn(
  verified: Verified,
  box: Box,
  given: ReadonlyMap<string, AttributeValue>,
): Map<string, AttributeValue> {
  return new Map([...exampleIn(verified, box), ...given])
}

/** An output cell that demands something. */
export interface Cell extends Worked {
  readonly output: Output
  readonly demand: DemandCell
}

const settled: Worked = { text: '', attributes: [], size: 1, hazards: [] }

/** The cells of each row by output column; undefined where a row demands nothing there. */
function* cellsOf(content: EditionContent, table: CompiledTable): Search<(Cell | undefined)[][]> {
  const outputs = content.outputs.map((wire) => {
    const read = readOutput(wire, content.subject)
    if (!('output' in read)) throw new TypeError(`${wire.parameter} passed the compiler`)
    return read.output
  })
  const cells: (Cell | undefined)[][] = []
  for (const [index, { then }] of content.rows.entries()) {
    yield
    const demands = [...(table.rows[index]?.cells ?? [])]
    cells.push(
      outputs.map((output, position) => {
        const text = then[position] ?? '-'
        const demand = text.trim() === '-' ? undefined : demands.shift()
        return demand && { output, demand, ...(demand.constant ? settled : readWorked(text, output)) }
      }),
    )
  }
  return cells
}

/** Whether two rows demand the same, as far as their cells alone say. */
export function agreementOf(a: readonly (Cell | undefined)[], b: readonly (Cell | undefined)[]): Agreement {
  let isSure = true
  for (const [index, cell] of a.entries()) {
    const other = b[index]
    if (!cell && !other) continue
    if (!cell || !other) return 'different'
    const [own, theirs] = [cell.demand.constant, other.demand.constant]
    if (own && theirs) {
      if (!sameDemands([own], [theirs])) return 'different'
    } else if (own || theirs || cell.text !== other.text) isSure = false
  }
  return isSure ? 'same' : 'undecided'
}

/** Whether two rows come to different demands for this product; one without a result differs from one that has one. */
export function differAt(
  a: readonly (Cell | undefined)[],
  b: readonly (Cell | undefined)[],
  attributes: ReadonlyMap<string, AttributeValue>,
): boolean {
  return a.some((cell, index) => {
    const own = cell?.demand.resolve(attributes)
    const theirs = b[index]?.demand.resolve(attributes)
    if (!own || !theirs) return own !== theirs
    if (!('demand' in own) || !('demand' in theirs)) return 'demand' in own || 'demand' in theirs
    return !sameDemands([own.demand], [theirs.demand])
  })
}

/**
 * Whether row `a` is taken instead of row `b` wherever both match, whatever its publication says: rows that bind go before
 * those that do not, and a stated reason lets all of them bind.
 */
export function takesPlace(table: CompiledTable, a: number, b: number): boolean {
  const [one, other] = [table.rows[a], table.rows[b]]
  if (!one || !other || a === b || (other.verifiedRoutine && !one.verifiedRoutine)) return false
  switch (table.hitPolicy) {
    case 'F':
      return a < b
    case 'P':
      return goesBefore(one, other) ?? a < b
    case 'C<':
    case 'C>':
      return isMoreExtreme(table.hitPolicy, one, other) ?? a < b
    default:
      return false
  }
}

function goesBefore(one: CompiledRow, other: CompiledRow): boolean | undefined {
  for (const [index, place] of one.places.entries()) {
    const apart = place - (other.places[index] ?? 0)
    if (apart !== 0) return apart < 0
  }
  return undefined
}

/** Undefined where both are the same number. A formula is no reason to pass over a row, nor passed over. */
function isMoreExtreme(policy: 'C<' | 'C>', one: CompiledRow, other: CompiledRow): boolean | undefined {
  if (one.cells.length === 0) return false
  if (other.cells.length === 0) return true
  const [own, theirs] = [numberOf(one), numberOf(other)]
  if (!own || !theirs) return false
  const side = compare(own, theirs)
  return side === 0 ? undefined : side < 0 === (policy === 'C<')
}

function numberOf({ cells: [cell] }: CompiledRow): Decimal | undefined {
  return cell?.constant?.kind === 'number' ? cell.constant.value : undefined
}
