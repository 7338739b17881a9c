/**
 * The inputs of a table as axes: every column, and every attribute of `appliesWhen`, cut at what the cells name, and held to
 * what its attribute can be. Regions that no row tells apart are one part, so that a column costs no more than its rows
 * differ in it. Ends of ranges are regions of their own: an edge that no row covers is seen like any other gap.
 */
import { type Decimal, equals } from '../../exact/decimal.ts'
import type { UnitCode } from '../../exact/unit-codes.ts'
import type { AttributeDefinition } from '../../products/attributes.ts'
import { type Cut, cutNumbers, cutWords, emptyBits, setBit } from '../column-rows.ts'
import type { CompiledTable } from '../compile-table.ts'
import { type Column, type CompiledTest, compileTest } from '../feel-tests.ts'
import { inputDefinition } from '../inputs.ts'
import type { EditionContent } from '../words.ts'
import type { Search } from './cover.ts'
import { type Box, boxOf, type Space, spaceOf } from './space.ts'

interface OfAxis {
  readonly attribute: string
  readonly unit: UnitCode | undefined
  readonly regions: number
  /** The part that each region belongs to; -1 where the attribute cannot be, or the table does not ask. */
  readonly partOf: Int32Array
  readonly parts: number
}

export type Axis = OfAxis &
  (
    | {
        readonly type: 'number'
        /** Canonical, ascending. Region 2i is the gap before end i, 2i + 1 the end itself (`column-rows.ts`). */
        readonly named: readonly Decimal[]
        /** Per region 1 where it is a single number at which a range of some cell ends. */
        readonly isEnd: Uint8Array
        /** The parts that hold nothing else. */
        readonly endParts: Uint32Array
      }
    /** Region i is word i; the last one is any other word. */
    | { readonly type: 'word'; readonly named: readonly (string | boolean)[] }
  )

/** A table as boxes over its axes. */
export interface Axes {
  readonly axes: readonly Axis[]
  readonly space: Space
  /** Every input that the table is made for. */
  readonly domain: Box
  /** What each row covers of it, in the table's order. */
  readonly rows: readonly Box[]
}

/** One column to be cut. */
export interface ColumnCells {
  readonly attribute: string
  readonly column: Column
  /** Of each row. */
  readonly tests: readonly CompiledTest[]
  /** All of which hold for every input asked about. */
  readonly domain: readonly CompiledTest[]
}

/**
 * @param columns undefined stands for a moment at which to let others run
 * @param count how many rows there are
 */
export function* axesOf(columns: Iterable<ColumnCells | undefined>, count: number): Search<Axes> {
  const cut: CutAxis[] = []
  for (const column of columns) {
    if (column) cut.push(axisOf(column))
    yield
  }
  const space = spaceOf(cut.map(({ axis }) => axis.parts))
  return {
    axes: cut.map(({ axis }) => axis),
    space,
    domain: boxOf(
      space,
      cut.map(({ all }) => all),
    ),
    rows: Array.from({ length: count }, (_, row) =>
      boxOf(
        space,
        cut.flatMap(({ rows }) => rows[row] ?? []),
      ),
    ),
  }
}

/** Cells read before others may run. */
const PAUSE_CELLS = 50

/** The columns of a table, and the attributes of its `appliesWhen` that are no columns. */
export function* columnsOf(content: EditionContent, table: CompiledTable): Generator<ColumnCells | undefined> {
  for (const [index, { attribute, column, allowed }] of table.inputs.entries()) {
    const applies = table.appliesWhen.flatMap((one) => (one.attribute === attribute ? [one.test] : []))
    const tests: CompiledTest[] = []
    for (const { when } of content.rows) {
      tests.push(compiled(when[index] ?? '-', column))
      if (tests.length % PAUSE_CELLS === 0) yield
    }
    yield {
      attribute,
      column,
      tests,
      domain: [...possible(attribute, table), ...(allowed ? [allowed] : []), ...applies],
    }
  }
  for (const { attribute, test } of table.appliesWhen) {
    if (table.inputs.some((input) => input.attribute === attribute)) continue
    const column = plainColumn(attribute, table)
    const any = compiled('-', column)
    yield { attribute, column, tests: content.rows.map(() => any), domain: [...possible(attribute, table), test] }
  }
}

function definitionOf(attribute: string, { subject }: CompiledTable): AttributeDefinition {
  const definition = inputDefinition(attribute, subject)
  if (definition === undefined || definition === 'elsewhere') throw new TypeError(`${attribute} passed the compiler`)
  return definition
}

/** A condition on an attribute that is no column has no unit, else the compiler had refused it. */
function plainColumn(attribute: string, table: CompiledTable): Column {
  return { type: definitionOf(attribute, table).type }
}

/** What the attribute can be at all: a word of its list, a count of its list, a number that is not negative. */
function possible(attribute: string, table: CompiledTable): CompiledTest[] {
  const definition = definitionOf(attribute, table)
  switch (definition.type) {
    case 'boolean':
      return [compiled('true, false', definition)]
    case 'string':
      return definition.values ? [compiled(definition.values.map(quoted).join(), { type: 'string' })] : []
    case 'number':
      return [compiled(definition.counts ? definition.counts.join() : '>= 0', { type: 'number' })]
  }
}

function compiled(cell: string, column: Column): CompiledTest {
  const made = compileTest(cell, column)
  if ('refusals' in made) throw new TypeError(`'${cell}' passed the compiler of the table`)
  return made.compiled
}

/** A word as FEEL writes it. */
export function quoted(word: string): string {
  return `"${word.replaceAll(/["\\]/g, '\\$&')}"`
}

interface CutAxis {
  readonly axis: Axis
  readonly all: Uint32Array
  readonly rows: readonly Uint32Array[]
}

function axisOf(cells: ColumnCells): CutAxis {
  const { attribute, column, tests, domain } = cells
  if (column.type !== 'number') {
    const cut = cutWords([...tests, ...domain])
    const { partOf, parts, ...sides } = partsOf(cut, cells)
    const { named, regions } = cut
    return { axis: { attribute, unit: undefined, regions, partOf, parts, type: 'word', named }, ...sides }
  }
  const cut = cutNumbers([...tests, ...domain])
  const { partOf, parts, ...sides } = partsOf(cut, cells)
  const { named, regions } = cut
  const isEnd = new Uint8Array(regions)
  for (const { lower, upper } of tests.flatMap(({ spans }) => spans)) {
    if (lower && upper && equals(lower.value, upper.value)) continue
    for (const end of [lower, upper]) if (end) isEnd[cut.regionAt(end.value)] = 1
  }
  const endParts = sides.all.slice()
  for (const [region, part] of partOf.entries()) {
    if (part >= 0 && isEnd[region] === 0) endParts[part >>> 5] = (endParts[part >>> 5] ?? 0) & ~(1 << (part & 31))
  }
  const ofAxis = { attribute, unit: column.unit, regions, partOf, parts }
  return { axis: { ...ofAxis, type: 'number', named, isEnd, endParts }, ...sides }
}

/** Puts together the regions of the domain that the same rows cover. */
function partsOf(cut: Cut<unknown>, { tests, domain }: ColumnCells) {
  const within = domain.map((test) => cut.regionsOf(test))
  const covered = tests.map((test) => cut.regionsOf(test))
  const partOf = new Int32Array(cut.regions).fill(-1)
  const partByRows = new Map<string, number>()
  const firstRegions: number[] = []
  for (let region = 0; region < cut.regions; region += 1) {
    if (within.some((holds) => holds[region] === 0)) continue
    const bits = emptyBits(tests.length)
    for (const [row, holds] of covered.entries()) if (holds[region] === 1) setBit(bits, row)
    const key = bits.join()
    const known = partByRows.get(key)
    partOf[region] = known ?? firstRegions.length
    if (known !== undefined) continue
    partByRows.set(key, firstRegions.length)
    firstRegions.push(region)
  }
  const sideWhere = (holds: (region: number) => boolean): Uint32Array => {
    const bits = emptyBits(Math.max(1, firstRegions.length))
    for (const [part, region] of firstRegions.entries()) if (holds(region)) setBit(bits, part)
    return bits
  }
  return {
    partOf,
    parts: firstRegions.length,
    all: sideWhere(() => true),
    rows: covered.map((holds) => sideWhere((region) => holds[region] === 1)),
  }
}
