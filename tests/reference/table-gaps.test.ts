import { describe, expect, test } from 'vitest'
import { type CompiledTest, compileTest } from '../../src/rules/feel-tests.ts'
import { type Axes, axesOf, type ColumnCells } from '../../src/rules/verify/axes.ts'
import { type Search, searchGaps } from '../../src/rules/verify/cover.ts'
import { writeBox } from '../../src/rules/verify/region.ts'
import { type Box, cutsOf, meet } from '../../src/rules/verify/space.ts'
import { refusalsOf } from '../../src/rules/verify/verdict.ts'
import { verified } from '../rules/verify/verified.ts'
import { seedContents, vectorsIn } from './seeds.ts'

/** A table of the paper, with what was computed of it by cutting it into cells, in another language. */
interface Published {
  readonly data: {
    readonly inputs: readonly string[]
    readonly rules: readonly (readonly string[])[]
    readonly domain: readonly ('unbounded' | readonly [number, number])[]
  }
  readonly expected: {
    readonly uncoveredArea: number
    readonly overlappingPairs: readonly (readonly [number, number])[]
    readonly overlapIntersections: readonly { rules: readonly number[]; box: readonly Side[] }[]
    readonly elementaryCells: number
    readonly uncoveredOpenCells: number
    readonly uncoveredBoundaryCells: number
    /** What the published sweep found, where it says. */
    readonly publishedMissingRectangles?: readonly string[]
    readonly publishedOverlaps?: readonly (readonly [number, number])[]
  }
}

interface Side {
  readonly lo: number
  readonly loClosed: boolean
  readonly hi: number | 'inf'
  readonly hiClosed: boolean
}

const names = ['dmn-overlap-gap-calvanese', 'dmn-overlap-gap-relational'] as const

function feel(text: string): CompiledTest {
  const made = compileTest(text, { type: 'number' })
  if ('refusals' in made) throw new Error(`'${text}' is no list of unary tests`)
  return made.compiled
}

function finished<Result>(search: Search<Result>): Result {
  for (;;) {
    const step = search.next()
    if (step.done) return step.value
  }
}

function laidOut({ data }: Published): Axes {
  const columns = data.inputs.map((attribute, column): ColumnCells => {
    const domain = data.domain[column]
    return {
      attribute,
      column: { type: 'number' },
      tests: data.rules.map((cells) => feel(cells[column] ?? '-')),
      domain: typeof domain === 'object' ? [feel(`[${domain[0]}..${domain[1]}]`)] : [],
    }
  })
  return finished(axesOf(columns, data.rules.length))
}

/** Every cell that the ends of the rules cut the domain into: an end, or what lies between two, along each axis. */
function cellsOf(axes: Axes) {
  let cells: { regions: number[]; box: Box }[] = [{ regions: [], box: axes.domain.map(() => 0) }]
  for (const [index, axis] of axes.axes.entries()) {
    cells = cells.flatMap(({ regions, box }) =>
      Array.from(axis.partOf).flatMap((part, region) => {
        if (part < 0) return []
        const next = box.slice()
        const at = (axes.space.offsets[index] ?? 0) + (part >>> 5)
        next[at] = (next[at] ?? 0) | (1 << (part & 31))
        return [{ regions: [...regions, region], box: next }]
      }),
    )
  }
  return cells
}

/** The length of one region, as a number: the ends are whole. */
function lengthOf(axes: Axes, axis: number, region: number): number {
  const of = axes.axes[axis]
  if (of?.type !== 'number' || region % 2 === 1) return 0
  const [from, to] = [of.named[(region >>> 1) - 1], of.named[region >>> 1]]
  return from && to ? Number(to.coefficient) - Number(from.coefficient) : 0
}

function textOf({ lo, loClosed, hi, hiClosed }: Side): string {
  if (hi === 'inf') return `${loClosed ? '>=' : '>'} ${lo}`
  return lo === hi ? String(lo) : `${loClosed ? '[' : '('}${lo}..${hi}${hiClosed ? ']' : ')'}`
}

describe.each(names)('%s', (name) => {
  const published = vectorsIn<Published>(name)
  const { expected } = published
  const axes = laidOut(published)
  const { rows, space, domain } = axes
  const searched = { rows, within: domain, budget: { left: 1_000_000 }, boxesMax: 100 }
  const { boxes, complete } = finished(searchGaps(space, searched))
  const cells = cellsOf(axes)
  const uncovered = cells.filter(({ box }) => boxes.some((gap) => cutsOf(space, box, gap) === 0))

  test('has the cells that the paper’s table is cut into', () => {
    expect(cells).toHaveLength(expected.elementaryCells)
    expect(complete).toBe(true)
  })

  test('gaps have the area computed, and the edges that the published sweep drops', () => {
    const isOpen = ({ regions }: { regions: number[] }) => regions.every((region) => region % 2 === 0)
    expect(uncovered.filter(isOpen)).toHaveLength(expected.uncoveredOpenCells)
    expect(uncovered.filter((cell) => !isOpen(cell))).toHaveLength(expected.uncoveredBoundaryCells)
    const area = uncovered.map(({ regions }) =>
      regions.reduce((size, region, axis) => size * lengthOf(axes, axis, region), 1),
    )
    expect(area.reduce((sum, one) => sum + one, 0)).toBe(expected.uncoveredArea)
  })

  test('overlaps are the pairs computed, each with its intersection', () => {
    const found = rows.flatMap((row, first) =>
      rows.slice(first + 1).flatMap((other, offset) => {
        const both = meet(space, row, other)
        if (!both) return []
        return [{ rules: [first + 1, first + offset + 2], box: writeBox(axes, both).map(({ tests }) => tests) }]
      }),
    )
    expect(found.map(({ rules }) => rules)).toEqual(expected.overlappingPairs)
    expect(found).toEqual(expected.overlapIntersections.map(({ rules, box }) => ({ rules, box: box.map(textOf) })))
    expect(found.map(({ rules }) => rules)).toEqual(expect.arrayContaining([...(expected.publishedOverlaps ?? [])]))
  })

  const rectangles = expected.publishedMissingRectangles ?? []
  test(`the ${rectangles.length} rectangles that the sweep published lie in gaps`, () => {
    for (const rectangle of rectangles) {
      const sides = rectangle.split(' x ').map((side) => feel(side.replace(',', '..')))
      const inside = cells.filter(({ regions }) =>
        regions.every((region, axis) => {
          const of = axes.axes[axis]
          if (of?.type !== 'number') return false
          const [from, to] = [of.named[(region - 1) >> 1], of.named[region >> 1]]
          return region % 2 === 0 && [from, to].every((end) => end !== undefined) && sides[axis]?.test(middle(from, to))
        }),
      )
      expect(inside.length).toBeGreaterThan(0)
      for (const cell of inside) expect(uncovered).toContain(cell)
    }
  })
})

function middle(from: Parameters<CompiledTest['test']>[0] | undefined, to: typeof from) {
  if (typeof from !== 'object' || typeof to !== 'object') throw new Error('no numbers')
  return { coefficient: Number(from.coefficient) * 5 + Number(to.coefficient) * 5, scale: 1 }
}

test.each([...seedContents])('the sample table %s is verified to the end, and nothing in it is wrong', (_, content) => {
  const report = verified(content)
  expect(refusalsOf(report, content)).toEqual([])
  expect(report).toMatchObject({ neverApplies: false, edgeCount: 0, idleRowCount: 0, noResultCount: 0, unfinished: [] })
})
