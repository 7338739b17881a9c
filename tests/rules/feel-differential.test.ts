/**
 * The library `feelin` as a second opinion. It computes in doubles, so numbers here are small multiples of a quarter and
 * formulas divide by powers of two only: there both must agree to the last digit.
 */
import fc from 'fast-check'
import { evaluate, unaryTest } from 'feelin'
import { expect, test } from 'vitest'
import { decimal, formatDecimal } from '../../src/exact/decimal.ts'
import { columnRows } from '../../src/rules/column-rows.ts'
import { compileFormula } from '../../src/rules/feel-compile.ts'
import { type Column, compileTest } from '../../src/rules/feel-tests.ts'

const quarter = fc.integer({ min: -40, max: 40 }).map((n) => String(n / 4))

const interval = fc
  .tuple(quarter, quarter, fc.constantFrom('[', '(', ']'), fc.constantFrom(']', ')', '['))
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

const cell = fc.oneof(
  { weight: 1, arbitrary: fc.constant('-') },
  {
    weight: 8,
    arbitrary: fc
      .tuple(fc.array(simpleTest, { minLength: 1, maxLength: 4 }), fc.boolean())
      .map(([tests, negated]) => (negated ? `not(${tests.join(', ')})` : tests.join(', '))),
  },
)

const word = fc.constantFrom('basic', 'double', 'reinforced', 'supplementary')

const wordCell = fc.tuple(fc.array(word, { minLength: 1, maxLength: 3 }), fc.boolean()).map(([words, negated]) => {
  const list = words.map((text) => `"${text}"`).join(',')
  return negated ? `not(${list})` : list
})

const number: Column = { type: 'number' }

function compiledTest(text: string, column: Column) {
  const made = compileTest(text, column)
  if ('refusals' in made) throw new Error(`${text}: ${JSON.stringify(made.refusals)}`)
  return made.compiled
}

test('unary tests on numbers agree', () => {
  fc.assert(
    fc.property(cell, quarter, (text, value) => {
      expect(compiledTest(text, number).test(decimal(value))).toBe(unaryTest(text, { '?': Number(value) }).value)
    }),
    { numRuns: 2000 },
  )
})

test('unary tests on words agree', () => {
  fc.assert(
    fc.property(wordCell, word, (text, value) => {
      expect(compiledTest(text, { type: 'string' }).test(value)).toBe(unaryTest(text, { '?': value }).value)
    }),
    { numRuns: 500 },
  )
})

test('a column cut into regions finds the rows that its tests find one by one', () => {
  fc.assert(
    fc.property(fc.array(cell, { minLength: 1, maxLength: 70 }), fc.option(cell), quarter, (cells, values, value) => {
      const tests = cells.map((text) => compiledTest(text, number))
      const allowed = values === null ? undefined : compiledTest(values, number)
      const rows = columnRows(tests, allowed)
      if (rows === 'too-many') throw new Error('too many')
      const bits = rows.rowsAt(decimal(value))
      for (const [row, one] of tests.entries()) {
        const found = (((bits[row >>> 5] ?? 0) >>> (row & 31)) & 1) === 1
        expect(found).toBe(one.test(decimal(value)) && (allowed?.test(decimal(value)) ?? true))
      }
    }),
    { numRuns: 300 },
  )
})

const formula: fc.Memo<string> = fc.memo((depth) => {
  const leaf = fc.oneof(quarter, fc.constantFrom('ratedVoltage', 'ratedPower'))
  if (depth <= 1) return leaf
  const inner = formula(depth - 1)
  return fc.oneof(
    leaf,
    fc.tuple(inner, fc.constantFrom('+', '-', '*'), inner).map(([a, operator, b]) => `${a} ${operator} ${b}`),
    fc.tuple(inner, fc.constantFrom('2', '4', '-8')).map(([a, b]) => `(${a}) / ${b}`),
    inner.map((a) => `-(${a})`),
    fc
      .tuple(fc.constantFrom('min', 'max'), fc.array(inner, { minLength: 1, maxLength: 3 }))
      .map(([name, given]) => `${name}(${given.join(', ')})`),
  )
})

test('formulas agree', () => {
  const inputs = new Map<string, Column>([
    ['ratedVoltage', number],
    ['ratedPower', number],
  ])
  fc.assert(
    fc.property(formula(4), quarter, quarter, (text, voltage, power) => {
      const made = compileFormula(text, { unit: '1', inputs })
      if ('refusals' in made) throw new Error(`${text}: ${JSON.stringify(made.refusals)}`)
      const computed = made.compiled.compute(
        new Map([
          ['ratedVoltage', decimal(voltage)],
          ['ratedPower', decimal(power)],
        ]),
      )
      const expected = evaluate(text, { ratedVoltage: Number(voltage), ratedPower: Number(power) }).value
      expect(Number('value' in computed && formatDecimal(computed.value))).toBe(Number(expected) + 0)
    }),
    { numRuns: 2000 },
  )
})
