import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { decimal } from '../../../src/exact/decimal.ts'
import type { AttributeValue } from '../../../src/products/attributes.ts'
import { type CompiledTable, matchRows } from '../../../src/rules/compile-table.ts'
import type { EditionContent } from '../../../src/rules/words.ts'
import { compiled, houseTable } from '../aldermoor-tables.ts'
import { inputOf, verified } from './verified.ts'

const types = new Map([
  ['ratedVoltage', 'number'],
  ['ratedPower', 'number'],
])
const grid = Array.from({ length: 9 }, (_, half) => decimal(String(half / 2)))
const inputs = grid.flatMap((volts) =>
  grid.map(
    (watts) =>
      new Map<string, AttributeValue>([
        ['ratedVoltage', volts],
        ['ratedPower', watts],
      ]),
  ),
)

const small = fc.integer({ min: -3, max: 3 })
const side = fc.oneof(
  fc.constantFrom('-', '> 0', '>= 1', '< 3', '2', '1, 3', 'not(2)'),
  fc
    .tuple(
      fc.constantFrom('[', '('),
      fc.integer({ min: 0, max: 2 }),
      fc.integer({ min: 1, max: 2 }),
      fc.constantFrom(']', ')'),
    )
    .map(([open, from, width, close]) => `${open}${from}..${from + width}${close}`),
)
const { formula } = fc.letrec<{ formula: string }>((tie) => ({
  formula: fc.oneof(
    { maxDepth: 4 },
    fc.constantFrom('ratedVoltage', 'ratedPower'),
    small.map((n) => `(${n})`),
    fc
      .tuple(tie('formula'), fc.constantFrom('+', '-', '*', '/'), tie('formula'))
      .map(([a, by, b]) => `(${a} ${by} ${b})`),
    fc
      .tuple(fc.constantFrom('min', 'max'), tie('formula'), tie('formula'))
      .map(([name, a, b]) => `${name}(${a}, ${b})`),
    tie('formula').map((a) => `-(${a})`),
  ),
}))

const tableOf = (cells: readonly string[], outputs: EditionContent['outputs'], then: string) =>
  houseTable({
    hitPolicy: 'U',
    inputs: [
      { attribute: 'ratedVoltage', type: 'number', unit: 'V' },
      { attribute: 'ratedPower', type: 'number', unit: 'W' },
    ],
    outputs,
    rows: [{ row: 'r', when: [...cells], then: [then] }],
  })

/** Whether the only row matches, and its only cell comes to nothing. */
function failsAt(table: CompiledTable, input: ReadonlyMap<string, AttributeValue>): boolean {
  const matched = matchRows(table, input)
  if (!('rows' in matched)) throw new Error('every attribute is given')
  return matched.rows.some(({ cells }) => cells.some((cell) => 'uncomputable' in cell.resolve(input)))
}

/** A formula that divides by the number zero does not compile; that is another test's business. */
function compiles(content: EditionContent): boolean {
  try {
    compiled(content)
    return true
  } catch {
    return false
  }
}

const number: EditionContent['outputs'] = [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }]
const range: EditionContent['outputs'] = [{ parameter: 'testVoltage', relation: 'in', unit: 'V' }]
const contents = fc.oneof(
  fc.tuple(side, side, formula).map(([a, b, then]) => tableOf([a, b], number, then)),
  fc
    .tuple(side, side, fc.constantFrom('[', '('), formula, formula, fc.constantFrom(']', ')'))
    .map(([a, b, open, from, to, close]) => tableOf([a, b], range, `${open}${from}..${to}${close}`)),
)

describe('cells without a result, against inputs tried one by one', () => {
  test('where nothing is said no input fails, and every example fails', () => {
    fc.assert(
      fc.property(contents.filter(compiles), (content) => {
        const { noResults } = verified(content)
        const table = compiled(content)
        const failing = inputs.filter((input) => failsAt(table, input))
        if (noResults.length === 0) expect(failing.length).toBe(0)
        for (const { isShown, example, severity } of noResults) {
          expect(severity).toBe(isShown ? 'wrong' : 'suspicious')
          if (isShown) expect(failsAt(table, inputOf(example ?? [], types))).toBe(true)
          else expect(example).toBeNull()
        }
      }),
      { numRuns: 200 },
    )
  })

  test('of a straight line the zero is found wherever a number is one', () => {
    fc.assert(
      fc.property(small, small, small, side, side, (a, b, c, volts, watts) => {
        const content = tableOf([volts, watts], number, `1 / (${a} * ratedVoltage + (${b}) * ratedPower + (${c}))`)
        const { noResults } = verified(content)
        const table = compiled(content)
        const isFailing = inputs.some((input) => failsAt(table, input))
        if (isFailing)
          expect(noResults).toEqual([expect.objectContaining({ isShown: true, because: 'division-by-zero' })])
      }),
      { numRuns: 100 },
    )
  })
})
