import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { decimal } from '../../../src/exact/decimal.ts'
import type { AttributeValue } from '../../../src/products/attributes.ts'
import { applies, type CompiledTable, matchRows } from '../../../src/rules/compile-table.ts'
import { requirementsFor } from '../../../src/rules/requirements.ts'
import type { EditionContent, HitPolicy } from '../../../src/rules/words.ts'
import { compiled, houseTable } from '../aldermoor-tables.ts'
import { inputOf, liesIn, type Report, verified } from './verified.ts'

/** Ends of ranges are whole numbers up to this, so that halves between them stand for all other numbers. */
const END_MAX = 3
const volts = Array.from({ length: 2 * END_MAX + 4 }, (_, half) => decimal(String(half / 2)))

const domains: Readonly<Record<string, readonly AttributeValue[]>> = {
  ratedVoltage: volts,
  ratedPower: volts,
  protectionClass: ['0', '0I', 'I', 'II', 'III'],
  functionalEarth: [true, false],
  phases: [decimal(1), decimal(3)],
}
const types = new Map([
  ['ratedVoltage', 'number'],
  ['ratedPower', 'number'],
  ['protectionClass', 'string'],
  ['functionalEarth', 'boolean'],
  ['phases', 'number'],
  ['family', 'string'],
])

const end = fc.integer({ min: 0, max: END_MAX })
const range = fc
  .tuple(fc.constantFrom('[', '('), end, end, fc.constantFrom(']', ')'))
  .filter(([, from, to]) => from < to)
  .map(([open, from, to, close]) => `${open}${from}..${to}${close}`)
const simple = fc.oneof(
  range,
  end.map(String),
  fc.tuple(fc.constantFrom('<', '<=', '>', '>='), end).map(([operator, at]) => `${operator} ${at}`),
)
const some = <Value>(one: fc.Arbitrary<Value>) =>
  fc.tuple(fc.array(one, { minLength: 1, maxLength: 3 }), fc.boolean()).map(([tests, negated]) => {
    const list = tests.join(', ')
    return negated ? `not(${list})` : list
  })
const words = (...list: string[]) => some(fc.constantFrom(...list.map((word) => `"${word}"`)))
const orAny = (cell: fc.Arbitrary<string>) =>
  fc.oneof({ weight: 2, arbitrary: cell }, { weight: 1, arbitrary: fc.constant('-') })

const columns: Readonly<Record<string, { input: EditionContent['inputs'][number]; cell: fc.Arbitrary<string> }>> = {
  ratedVoltage: { input: { attribute: 'ratedVoltage', type: 'number', unit: 'V' }, cell: orAny(some(simple)) },
  ratedPower: { input: { attribute: 'ratedPower', type: 'number', unit: 'W' }, cell: orAny(some(simple)) },
  protectionClass: {
    input: { attribute: 'protectionClass', type: 'string' },
    cell: orAny(words('0', '0I', 'I', 'II', 'III')),
  },
  functionalEarth: {
    input: { attribute: 'functionalEarth', type: 'boolean' },
    cell: orAny(fc.constantFrom('true', 'false')),
  },
  phases: { input: { attribute: 'phases', type: 'number' }, cell: orAny(fc.constantFrom('1', '3', '2', '> 1')) },
}

const table: fc.Arbitrary<EditionContent> = fc
  .tuple(
    fc.subarray(Object.keys(columns), { minLength: 1, maxLength: 3 }),
    fc.constantFrom<HitPolicy>('U', 'A', 'P', 'F', 'R', 'O', 'C', 'C<', 'C>'),
    fc.integer({ min: 1, max: 7 }),
  )
  .chain(([names, hitPolicy, count]) =>
    fc.record({
      names: fc.constant(names),
      hitPolicy: fc.constant(hitPolicy),
      rows: fc.array(
        fc.record({
          when: fc.tuple(...names.map((name) => columns[name]?.cell ?? fc.constant('-'))),
          then: fc.constantFrom('1', '2', '3', ...(hitPolicy === 'P' || hitPolicy === 'O' ? [] : ['-'])),
          isVerified: fc.boolean(),
        }),
        { minLength: count, maxLength: count },
      ),
      values: fc.option(range),
      appliesTo: fc.option(columns['protectionClass']?.cell ?? fc.constant('-')),
    }),
  )
  .map(({ names, hitPolicy, rows, values, appliesTo }) => {
    const isListed = hitPolicy === 'P' || hitPolicy === 'O'
    const source = { document: 'HR-9', documentEdition: '1', clause: '1', use: 'routine' as const }
    return houseTable({
      hitPolicy,
      inputs: names.flatMap((name) => {
        const input = columns[name]?.input
        return input ? [{ ...input, ...(name === 'ratedPower' && values !== null && { values }) }] : []
      }),
      ...(appliesTo !== null && { appliesWhen: { protectionClass: appliesTo } }),
      outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V', ...(isListed && { values: '3, 1, 2' }) }],
      rows: rows.map(({ when, then }, n) => ({ row: `r${n}`, when, then: [then] })),
      sources: rows.map(({ isVerified }, n) => ({
        ...source,
        rows: [`r${n}`],
        verification: isVerified ? 'verified' : 'unverified',
      })),
    })
  })

/** Every input on the grid that the table is made for. */
function inputsOf(content: EditionContent): Map<string, AttributeValue>[] {
  const names = [
    ...new Set([...content.inputs.map(({ attribute }) => attribute), ...Object.keys(content.appliesWhen ?? {})]),
  ]
  let inputs: Map<string, AttributeValue>[] = [new Map()]
  for (const name of names) {
    inputs = inputs.flatMap((input) => (domains[name] ?? []).map((value) => new Map([...input, [name, value]])))
  }
  const made = compiled(content)
  return inputs.filter(
    (input) =>
      applies(made, input) === true &&
      made.inputs.every(({ attribute, allowed }) => allowed?.test(input.get(attribute) ?? '') ?? true),
  )
}

/** A table whose cells name values outside a column's `values` does not compile; that is another test's business. */
function compiles(content: EditionContent): boolean {
  try {
    compiled(content)
    return true
  } catch {
    return false
  }
}

const drawn = table.filter(compiles)

function forEach(
  check: (drawn: {
    content: EditionContent
    table: CompiledTable
    report: Report
    inputs: Map<string, AttributeValue>[]
  }) => void,
) {
  fc.assert(
    fc.property(drawn, (content) =>
      check({ content, table: compiled(content), report: verified(content), inputs: inputsOf(content) }),
    ),
    { numRuns: 100 },
  )
}

function rowsAt(table: CompiledTable, input: ReadonlyMap<string, AttributeValue>): string[] {
  const matched = matchRows(table, input)
  if (!('rows' in matched)) throw new Error('every attribute is given')
  return matched.rows.map(({ row }) => row)
}

describe('against every input of a small grid, one by one', () => {
  test('gaps are together exactly what no row matches, and none can be made larger', () => {
    forEach(({ table, report, inputs }) => {
      expect(report.unfinished).toEqual([])
      expect(report.neverApplies).toBe(inputs.length === 0)
      expect(report.gaps.length).toBe(report.gapCount)
      const isCovered = new Map(
        inputs.map((input) => [input, (matchRows(table, input) as { rows: [] }).rows.length > 0]),
      )
      for (const input of inputs) {
        expect(report.gaps.some(({ region }) => liesIn(region, input))).toBe(!isCovered.get(input))
      }
      for (const gap of report.gaps) {
        const example = inputOf(gap.example, types)
        expect(liesIn(gap.region, example)).toBe(true)
        expect(applies(table, example)).toBe(true)
        expect(rowsAt(table, example)).toEqual([])
        for (const [index, side] of gap.region.entries()) {
          const others = gap.region.filter((_, place) => place !== index)
          const values = new Map<string, boolean>()
          for (const input of inputs) {
            if (!liesIn(others, input) || liesIn([side], input)) continue
            const key = JSON.stringify(input.get(side.attribute))
            values.set(key, (values.get(key) ?? false) || isCovered.get(input) === true)
          }
          expect([...values.values()].every((isMet) => isMet)).toBe(true)
        }
      }
    })
  })

  test('overlaps are exactly the pairs that match one input, each with all inputs that they share', () => {
    forEach(({ content, table, report, inputs }) => {
      const shared = new Map<string, Map<string, AttributeValue>[]>()
      for (const input of inputs) {
        const rows = rowsAt(table, input)
        for (const [index, first] of rows.entries()) {
          for (const second of rows.slice(index + 1)) {
            const pair = `${first} ${second}`
            shared.set(pair, [...(shared.get(pair) ?? []), input])
          }
        }
      }
      expect(report.overlaps.map(({ rows }) => rows.join(' ')).sort()).toEqual([...shared.keys()].sort())
      expect(report.overlapCount).toBe(shared.size)
      for (const { rows, region, example, demands, severity } of report.overlaps) {
        const inside = shared.get(rows.join(' ')) ?? []
        for (const input of inputs) expect(liesIn(region, input)).toBe(inside.includes(input))
        expect(rowsAt(table, inputOf(example, types))).toEqual(expect.arrayContaining(rows))
        const [a, b] = rows.map((key) => content.rows.find(({ row }) => row === key)?.then[0])
        expect(demands).toBe(a === b ? 'same' : 'different')
        if (content.hitPolicy === 'U') expect(severity).toBe('wrong')
        else if (content.hitPolicy === 'A') expect(severity).toBe(a === b ? 'meant' : 'wrong')
        else expect(severity).not.toBe('wrong')
      }
    })
  })

  test('an end of a range without a row, between numbers that have one, is an edge', () => {
    forEach(({ content, table, report, inputs }) => {
      for (const attribute of ['ratedVoltage', 'ratedPower']) {
        if (!content.inputs.some((input) => input.attribute === attribute)) continue
        const place = content.inputs.findIndex((input) => input.attribute === attribute)
        const cells = content.rows.map(({ when }) => when[place] ?? '').join()
        const ends = new Set(
          [...cells.matchAll(/[<>]=? (\d)|[[(](\d)\.\.|\.\.(\d)/g)].map(([, a, b, c]) => a ?? b ?? c),
        )
        for (const input of inputs) {
          const at = input.get(attribute)
          if (typeof at !== 'object' || at.scale > 0 || !ends.has(String(at.coefficient))) continue
          const beside = inputs.filter((other) =>
            [...other].every(([name, value]) =>
              name === attribute
                ? Math.abs(numberOf(value) - numberOf(at)) === 0.5
                : JSON.stringify(value) === JSON.stringify(input.get(name)),
            ),
          )
          const isOpen = (one: Map<string, AttributeValue>) => (matchRows(table, one) as { rows: [] }).rows.length === 0
          if (!isOpen(input) || beside.some(isOpen)) continue
          const said = report.edges.filter((edge) => edge.covered === 'not-at-all' && edge.attribute === attribute)
          expect(said.some(({ region }) => liesIn(region, input))).toBe(true)
        }
      }
      for (const edge of report.edges) {
        const rows = rowsAt(table, inputOf(edge.example, types))
        if (edge.covered === 'not-at-all') expect(rows).toEqual([])
        else expect(rows).toEqual(expect.arrayContaining(edge.rows))
        expect(edge.example).toContainEqual({ attribute: edge.attribute, value: edge.value, unit: edge.unit })
      }
    })
  })

  test('idle rows are exactly those that count for no input, published with a reason or without', () => {
    forEach(({ content, table, report, inputs }) => {
      const matching = new Set(inputs.flatMap((input) => rowsAt(table, input)))
      const counting = new Set<string>()
      for (const bindsBecause of [null, 'house rule']) {
        for (const attributes of inputs) {
          const inHand = { subject: table.subject, ruleSets: new Set([table.ruleSet]), attributes }
          for (const requirement of requirementsFor([{ table, bindsBecause }], inHand)) {
            if (requirement.kind === 'alternatives') for (const { row } of requirement.rows) counting.add(row.row)
            else for (const row of requirement.rows) counting.add(row)
          }
        }
      }
      const because = (reason: string) => report.idleRows.filter((one) => one.because === reason).map(({ row }) => row)
      const rows = content.rows.map(({ row }) => row)
      expect(because('matches-nothing')).toEqual(rows.filter((row) => !matching.has(row)))
      expect(because('taken-by-others')).toEqual(rows.filter((row) => matching.has(row) && !counting.has(row)))
      for (const { row, because: reason, by, example } of report.idleRows) {
        if (reason === 'matches-nothing') expect(example).toBeNull()
        else expect(rowsAt(table, inputOf(example ?? [], types))).toEqual(expect.arrayContaining([row, ...by]))
        if (reason !== 'matches-nothing') expect(by.length).toBeGreaterThan(0)
      }
    })
  })
})

function numberOf(value: AttributeValue): number {
  return typeof value === 'object' ? Number(value.coefficient) / 10 ** value.scale : Number.NaN
}
