/** A compiled table laid out for verification, and what every search over it shares. */
import type { AttributeValue } from '../../products/attributes.ts'
import type { CompiledTable } from '../compile-table.ts'
import type { EditionContent } from '../words.ts'
import { type Axes, axesOf, columnsOf } from './axes.ts'
import type { Search } from './cover.ts'
import { exampleIn } from './region.ts'
import type { UnfinishedPart } from './report.ts'
import { type Cell, cellsOf } from './rows.ts'
import type { Box } from './space.ts'

export interface Verified extends Axes {
  readonly table: CompiledTable
  /** The output cells of each row. */
  readonly cells: readonly (readonly (Cell | undefined)[])[]
  /** What was given up. */
  readonly unfinished: Set<UnfinishedPart>
}

export function* layOut(content: EditionContent, table: CompiledTable): Search<Verified> {
  const axes = yield* axesOf(columnsOf(content, table), content.rows.length)
  return { ...axes, table, cells: cellsOf(content, table), unfinished: new Set() }
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
