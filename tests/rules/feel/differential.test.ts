/**
 * The library `feelin` as a second opinion on whole decision tables and on expressions. It computes in doubles, so numbers
 * here are small multiples of a quarter: there both must agree to the last digit.
 */
import fc from 'fast-check'
import { evaluate, unaryTest } from 'feelin'
import { expect, test } from 'vitest'
import { decimal } from '../../../src/exact/decimal.ts'
import { matchRows } from '../../../src/rules/compile-table.ts'
import { evaluateExpression, parseExpression, parseTests, passesTests } from '../../../src/rules/feel/evaluate.ts'
import { type EditionContent, EditionContentWire } from '../../../src/rules/words.ts'
import { compiled, houseTable } from '../aldermoor-tables.ts'
import { feel, model, type Plain, plain, result, tableXml } from '../dmn/models.ts'

const quarter = fc.integer({ min: -40, max: 40 }).map((n) => n / 4)
const interval = fc
  .tuple(quarter, quarter, fc.constantFrom('[', '('), fc.constantFrom(']', ')'))
  .filter(([a, b]) => a < b)
  .map(([a, b, opening, closing]) => `${opening}${a}..${b}${closing}`)
const numberTest = fc.oneof(
  quarter.map(String),
  fc.tuple(fc.constantFrom('<', '<=', '>', '>='), quarter).map(([sign, n]) => `${sign} ${n}`),
  interval,
)
const word = fc.constantFrom('basic', 'double', 'reinforced')
const cellOf = (one: fc.Arbitrary<string>) =>
  fc.oneof(
    { weight: 1, arbitrary: fc.constant('-') },
    {
      weight: 4,
      arbitrary: fc
        .tuple(fc.array(one, { minLength: 1, maxLength: 3 }), fc.boolean())
        .map(([tests, negated]) => (negated ? `not(${tests.join(', ')})` : tests.join(', '))),
    },
  )
const numberCell = cellOf(numberTest)
const wordCell = cellOf(word.map((one) => `"${one}"`))
const flagCell = fc.constantFrom('-', 'true', 'false', 'not(true)')

const row = fc.tuple(numberCell, wordCell, flagCell, quarter)
const rows = fc.array(row, { minLength: 1, maxLength: 40 })
const given = fc.tuple(quarter, word, fc.boolean())

/** The rows whose cells all hold, one by one, as the library says. */
function matching(all: readonly (readonly [string, string, string, number])[], values: readonly Plain[]): number[] {
  return all.flatMap((cells, index) =>
    values.every((value, column) => unaryTest(String(cells[column]), { '?': value }).value === true) ? [index] : [],
  )
}

test('the rows of a rule table that match are those that the library finds', () => {
  fc.assert(
    fc.property(rows, given, (all, [voltage, insulation, isGrouped]) => {
      const content: EditionContent = EditionContentWire.parse(
        houseTable({
          inputs: [
            { attribute: 'ratedVoltage', type: 'number', unit: 'V' },
            { attribute: 'insulation', type: 'string' },
            { attribute: 'functionalEarth', type: 'boolean' },
          ],
          outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
          rows: all.map(([a, b, c, n], index) => ({ row: `r${index}`, when: [a, b, c], then: [`${n}`] })),
        }),
      )
      const attributes = new Map<string, never>([
        ['ratedVoltage', decimal(`${voltage}`) as never],
        ['insulation', insulation as never],
        ['functionalEarth', isGrouped as never],
      ])
      const matched = matchRows(compiled(content), attributes)
      if (!('rows' in matched)) throw new Error('missing')
      const expected = matching(all, [voltage, insulation, isGrouped]).map((index) => `r${index}`)
      expect(matched.rows.map(({ row: name }) => name)).toEqual(expected)
    }),
    { numRuns: 300 },
  )
})

/** Each policy worked out by hand from the outputs of the rows that match. */
const policies: Readonly<Record<string, (hits: number[]) => Plain>> = {
  UNIQUE: (hits) => (hits.length === 1 ? (hits[0] ?? null) : null),
  ANY: (hits) => (hits.every((hit) => hit === hits[0]) ? (hits[0] ?? null) : null),
  FIRST: (hits) => hits[0] ?? null,
  'RULE ORDER': (hits) => (hits.length > 0 ? hits : null),
  COLLECT: (hits) => (hits.length > 0 ? hits : null),
  'COLLECT SUM': (hits) => (hits.length > 0 ? hits.reduce((sum, hit) => sum + hit) : null),
  'COLLECT MIN': (hits) => (hits.length > 0 ? Math.min(...hits) : null),
  'COLLECT MAX': (hits) => (hits.length > 0 ? Math.max(...hits) : null),
  'COLLECT COUNT': (hits) => (hits.length > 0 ? hits.length : null),
}

test.each(Object.keys(policies))('a decision table says what its matching rows come to: %s', (words) => {
  const [, policy = '', aggregation] = /^(COLLECT|[A-Z ]+?)(?: (SUM|MIN|MAX|COUNT))?$/.exec(words) ?? []
  fc.assert(
    fc.property(rows, given, fc.boolean(), (all, values, isTurned) => {
      // A cell with a name in it is asked by itself; the column is then not turned round.
      const asked = isTurned ? all : [...all, ['Voltage - 1', '-', '-', 0] as const]
      const made = model({
        inputs: { Voltage: 'number', Insulation: 'string', Grouped: 'boolean' },
        decisions: {
          d: {
            xml: tableXml({
              policy,
              ...(aggregation !== undefined && { aggregation }),
              inputs: [
                ['Voltage', 'number'],
                ['Insulation', 'string'],
                ['Grouped', 'boolean'],
              ],
              outputs: [[]],
              rules: asked.map((cells) => cells.map(String)),
            }),
          },
        },
      })
      const [Voltage, Insulation, Grouped] = values
      const expected = policies[words]?.(matching(all, values).map((index) => all[index]?.[3] ?? 0)) ?? null
      expect(result(made, 'd', { Voltage, Insulation, Grouped })).toEqual(expected)
    }),
    { numRuns: 100 },
  )
})

const names = { a: 1, b: 1, 'rated voltage': 1, s: 'x', flag: true, list: [1], box: { 'in side': 1 } }
const scopeOf = fc.record({
  a: quarter,
  b: quarter,
  'rated voltage': quarter,
  s: fc.constantFrom('basic', 'double', ''),
  flag: fc.boolean(),
  list: fc.array(quarter, { maxLength: 4 }),
  box: fc.record({ 'in side': quarter }),
})

const number: fc.Memo<string> = fc.memo((depth) => {
  const leaf = fc.oneof(
    quarter.map((n) => (n < 0 ? `(${n})` : `${n}`)),
    fc.constantFrom('a', 'b', 'rated voltage', 'box.in side', 'list[1]'),
  )
  if (depth <= 1) return leaf
  const inner = number(depth - 1)
  return fc.oneof(
    leaf,
    fc.tuple(inner, fc.constantFrom('+', '-', '*'), inner).map(([x, sign, y]) => `(${x} ${sign} ${y})`),
    fc
      .tuple(truth(depth - 1), inner, inner)
      .map(([is, x, y]) => `if ${is} then ${x} else ${y}`)
      .map((text) => `(${text})`),
    fc.tuple(fc.constantFrom('min', 'max', 'sum'), inner, inner).map(([name, x, y]) => `${name}(${x}, ${y})`),
    fc.constantFrom('count(list)', 'string length(s)', 'abs(a)'),
  )
})
const truth: fc.Memo<string> = fc.memo((depth) => {
  const leaf = fc.oneof(
    fc.constantFrom('flag', 'true', 'false', 's = "basic"', 'list contains(list, a)', 'starts with(s, "b")'),
  )
  if (depth <= 1) return leaf
  return fc.oneof(
    leaf,
    fc
      .tuple(number(depth - 1), fc.constantFrom('<', '<=', '>', '>=', '=', '!='), number(depth - 1))
      .map((parts) => `(${parts.join(' ')})`),
    fc.tuple(truth(depth - 1), fc.constantFrom('and', 'or'), truth(depth - 1)).map((parts) => `(${parts.join(' ')})`),
    fc.tuple(number(depth - 1), interval).map(([x, range]) => `(${x} in ${range})`),
    fc.constantFrom('(some x in list satisfies x > a)', '(every x in list satisfies x > a)', '(a between -5 and 5)'),
    truth(depth - 1).map((is) => `not(${is})`),
  )
})

test('expressions agree', () => {
  fc.assert(
    fc.property(fc.oneof(number(4), truth(4)), scopeOf, (text, values) => {
      const parsed = parseExpression(text, names)
      if (!('tree' in parsed)) throw new Error(`${text}: ${JSON.stringify(parsed.refused)}`)
      const scope = new Map(Object.entries(values).map(([name, value]) => [name, feel(value)]))
      const given: unknown = evaluate(text, values).value
      const expected = typeof given === 'number' ? given + 0 : (given ?? null) // Doubles have a negative zero.
      expect([text, plain(evaluateExpression(parsed.tree, scope))]).toEqual([text, expected])
    }),
    { numRuns: 2000 },
  )
})

test('unary tests agree, with names and with the input itself', () => {
  const cell = fc.oneof(
    numberCell,
    fc.constantFrom(
      'a',
      '> a',
      '[a..20]',
      'not(a, b)',
      'list',
      '? > a and ? < 5',
      '? = b',
      'a + 1, b - 1',
      'not(? > a)',
    ),
  )
  fc.assert(
    fc.property(cell, quarter, scopeOf, (text, input, values) => {
      const parsed = parseTests(text, names)
      if (!('tree' in parsed)) throw new Error(`${text}: ${JSON.stringify(parsed.refused)}`)
      const scope = new Map(Object.entries(values).map(([name, value]) => [name, feel(value)]))
      const expected: unknown = unaryTest(text, { ...values, '?': input }).value
      expect([text, passesTests(parsed.tree, feel(input), scope)]).toEqual([text, expected === true])
    }),
    { numRuns: 2000 },
  )
})
