/**
 * Whole tables against the library `feelin`: it is asked cell by cell whether a row matches, and what the hit policy makes
 * of the rows is worked out here from DMN 1.5, 8.2.8. It computes in doubles, so numbers are small multiples of a quarter.
 */
import fc from 'fast-check'
import { unaryTest } from 'feelin'
import { expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import type { CompiledTable } from '../../src/rules/compile-table.ts'
import { requirementsFor } from '../../src/rules/requirements.ts'
import { compiled, houseTable } from './aldermoor-tables.ts'

const quarter = fc.integer({ min: 0, max: 24 }).map((n) => String(n / 4))

const anyVoltage = fc.integer({ min: 0, max: 32 }).map((n) => String(n / 4))

const interval = fc
  .tuple(quarter, quarter, fc.constantFrom('[', '('), fc.constantFrom(']', ')'))
  .filter(([a, b]) => a !== b)
  .map(([a, b, opening, closing]) => {
    const [lower, upper] = Number(a) < Number(b) ? [a, b] : [b, a]
    return `${opening}${lower}..${upper}${closing}`
  })
const simpleTest = fc.oneof(
  quarter,
  fc.tuple(fc.constantFrom('<', '<=', '>', '>='), quarter).map(([operator, value]) => `${operator} ${value}`),
  interval,
)
const listOf = (one: fc.Arbitrary<string>) =>
  fc
    .tuple(fc.array(one, { minLength: 1, maxLength: 3 }), fc.boolean())
    .map(([tests, negated]) => (negated ? `not(${tests.join(', ')})` : tests.join(', ')))
const numberCell = fc.oneof({ weight: 1, arbitrary: fc.constant('-') }, { weight: 3, arbitrary: listOf(simpleTest) })
const words = ['basic', 'double', 'reinforced', 'supplementary'] as const
const wordCell = fc.oneof(
  { weight: 1, arbitrary: fc.constant('-') },
  { weight: 2, arbitrary: listOf(fc.constantFrom(...words.map((word) => `"${word}"`))) },
)

const tables = fc.record({
  hitPolicy: fc.constantFrom('U', 'F', 'C', 'R'),
  whens: fc.array(fc.tuple(numberCell, wordCell, numberCell), { minLength: 1, maxLength: 20 }),
  // A cell may not name a value that its column does not declare; what is asked may lie outside.
  values: fc.option(fc.constantFrom('[0..6]', '>= 0, 7', '< 6.25')),
})

/** What a table says of attributes: the rows that count, by their keys, or why none does. */
function said(table: CompiledTable, attributes: ReadonlyMap<string, AttributeValue>): string[] | string {
  const [requirement] = requirementsFor([{ table }], {
    subject: table.subject,
    ruleSets: new Set([table.ruleSet]),
    attributes,
  })
  if (requirement === undefined) return 'silent'
  return requirement.kind === 'unresolved' ? requirement.code : requirement.rows.map(({ row }) => row.row)
}

function expected(hitPolicy: string, matching: readonly string[]): string[] | string {
  if (matching.length === 0) return 'rule-gap'
  if (hitPolicy === 'U' && matching.length > 1) return 'rule-ambiguous'
  return hitPolicy === 'F' ? matching.slice(0, 1) : [...matching]
}

test('whole tables say of a product what their cells say one by one', { timeout: 20_000 }, () => {
  const seen = new Map<string, number>()
  fc.assert(
    fc.property(
      tables,
      fc.array(fc.tuple(anyVoltage, fc.constantFrom(...words), quarter), { minLength: 1, maxLength: 8 }),
      ({ hitPolicy, whens, values }, products) => {
        const content = houseTable({
          hitPolicy,
          inputs: [
            { attribute: 'ratedVoltage', type: 'number', unit: 'V', ...(values !== null && { values }) },
            { attribute: 'insulation', type: 'string' },
            { attribute: 'ratedCurrent', type: 'number', unit: 'A' },
          ],
          outputs: [{ parameter: 'dwell', relation: '>=', unit: 's' }],
          rows: whens.map((when, index) => ({ row: `r${index}`, when: [...when], then: [String(index + 1)] })),
        })
        const table = compiled(content)
        for (const [voltage, insulation, current] of products) {
          const asked = [Number(voltage), insulation, Number(current)]
          const isAllowed = values === null || unaryTest(values, { '?': Number(voltage) }).value === true
          const matching = whens.flatMap((when, index) => {
            const isMatch = when.every((text, column) => unaryTest(text, { '?': asked[column] }).value === true)
            return isAllowed && isMatch ? [`r${index}`] : []
          })
          const attributes = new Map<string, AttributeValue>([
            ['ratedVoltage', decimal(voltage)],
            ['insulation', insulation],
            ['ratedCurrent', decimal(current)],
          ])
          const answer = expected(hitPolicy, matching)
          expect(said(table, attributes)).toEqual(answer)
          const kind = typeof answer === 'string' ? answer : `${hitPolicy} ${Math.min(answer.length, 2)}`
          seen.set(kind, (seen.get(kind) ?? 0) + 1)
        }
      },
    ),
    { numRuns: 100 },
  )
  // Tables that never match, or always, would prove nothing.
  for (const kind of ['rule-gap', 'rule-ambiguous', 'U 1', 'F 1', 'C 1', 'C 2', 'R 2']) {
    expect(seen.get(kind) ?? 0, kind).toBeGreaterThan(5)
  }
})
