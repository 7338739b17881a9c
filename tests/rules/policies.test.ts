import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compileTable } from '../../src/rules/compile-table.ts'
import { type EditionContent, hitPolicies } from '../../src/rules/words.ts'
import { compiled, houseTable } from './aldermoor-tables.ts'
import { atLeast, brief, noInputs, outcomes } from './outcomes.ts'

type Rows = readonly (readonly [row: string, voltage: string, dwell?: string])[]

const byPolicy = (hitPolicy: EditionContent['hitPolicy'], rows: Rows, more: Partial<EditionContent> = {}) =>
  houseTable({
    ...noInputs,
    hitPolicy,
    outputs: [
      {
        parameter: 'testVoltage',
        relation: '>=',
        unit: 'V',
        values: hitPolicy === 'P' || hitPolicy === 'O' ? '1500, 1800, 1000' : undefined,
      },
      ...(rows.some(([, , dwell]) => dwell !== undefined)
        ? [{ parameter: 'dwell', relation: '>=', unit: 's' } as const]
        : []),
    ],
    rows: rows.map(([row, ...then]) => ({ row, when: [], then: then.filter((cell) => cell !== undefined) })),
    ...more,
  })

const three: Rows = [
  ['a', '1000'],
  ['b', '1800'],
  ['c', '1500'],
]

/** What becomes of a plan that accepts at least so much, under each policy. */
const met = (policy: EditionContent['hitPolicy'], volts: string, rows: Rows = three) =>
  brief(outcomes([byPolicy(policy, rows)], { testVoltage: atLeast(volts), dwell: atLeast('60') })[0])

// What DMN returns (1.5, section 8.2.8), read as demands.
describe('what each hit policy makes of three rows that match', () => {
  const short = (row: string) => `blocking ${row}: testVoltage requirement-not-met`
  test.each([
    ['U', '9000', 'rule-ambiguous'],
    ['A', '9000', 'rule-ambiguous'],
    ['F', '1000', 'met by a'],
    ['F', '999', short('a')],
    ['P', '1500', 'met by c'],
    ['P', '1499', short('c')],
    ['C<', '1000', 'met by a'],
    ['C>', '1799', short('b')],
    ['C>', '1800', 'met by b'],
    // Alternatives: any of them will do; the order says which is named.
    ['C', '1000', 'met by a'],
    ['C', '1800', 'met by a'],
    ['R', '1800', 'met by a'],
    ['R', '999', short('a')],
    ['O', '1800', 'met by c'],
    ['O', '1200', 'met by a'],
  ] as const)('%s, %s V: %s', (policy, volts, expected) => {
    expect(met(policy, volts)).toBe(expected)
  })

  test('under A rows that demand the same are one, however they write it', () => {
    const same: Rows = [
      ['a', '1500'],
      ['b', '3000 / 2'],
    ]
    expect(met('A', '1500', same)).toBe('met by a')
    expect(met('A', '1499', same)).toBe(short('a'))
    const other: Rows = [
      ['a', '1500', '-'],
      ['b', '1500', '60'],
    ]
    expect(met('A', '1500', other)).toBe('rule-ambiguous')
  })

  test('what no row says is a gap under every policy', () => {
    for (const policy of hitPolicies) {
      if (policy === 'C+' || policy === 'C#') continue
      const gap = byPolicy(policy, three, {
        inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
        rows: three.map(([row, cell]) => ({ row, when: ['> 1000'], then: [cell] })),
      })
      expect(brief(outcomes([gap], {})[0])).toBe('rule-gap')
    }
  })
})

describe('a row that does not bind is no way round one that does', () => {
  const [source] = byPolicy('F', three).sources
  const said = (rows: string[], verification: 'verified' | 'unverified') => ({ ...source, rows, verification })
  const withLoose = (policy: EditionContent['hitPolicy'], loose: string[], binding: string[]) =>
    byPolicy(policy, three, {
      sources: [said(loose, 'unverified'), said(binding, 'verified')] as EditionContent['sources'],
    })
  test.each([
    ['F', ['a'], 'blocking b: testVoltage requirement-not-met'],
    ['P', ['c'], 'blocking b: testVoltage requirement-not-met'],
    ['C<', ['a'], 'blocking c: testVoltage requirement-not-met'],
    ['R', ['a'], 'blocking c: testVoltage requirement-not-met'],
    ['O', ['a'], 'blocking c: testVoltage requirement-not-met'],
  ] as const)('%s', (policy, loose, expected) => {
    const binding = three.map(([row]) => row).filter((row) => !(loose as readonly string[]).includes(row))
    expect(brief(outcomes([withLoose(policy, [...loose], binding)], { testVoltage: atLeast('1100') })[0])).toBe(
      expected,
    )
  })
})

test('under F what later rows would demand does not matter, not even where it has no value', () => {
  const rows: Rows = [
    ['a', '1000'],
    ['b', '1 / (ratedVoltage - ratedVoltage)'],
  ]
  const table = byPolicy('F', rows, {
    inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
    rows: rows.map(([row, cell]) => ({ row, when: ['-'], then: [cell] })),
  })
  expect(brief(outcomes([table], { testVoltage: atLeast('1000') })[0])).toBe('met by a')
})

test('C> is never met by less than C, C< never needs more', () => {
  const volts = fc.integer({ min: 1, max: 40 }).map((n) => `${n * 100}`)
  fc.assert(
    fc.property(fc.array(volts, { minLength: 1, maxLength: 6 }), volts, (cells, accepted) => {
      const rows: Rows = cells.map((cell, index) => [`r${index}`, cell])
      const isMet = (policy: EditionContent['hitPolicy']) => String(met(policy, accepted, rows)).startsWith('met')
      const [all, any] = [
        cells.every((cell) => Number(cell) <= Number(accepted)),
        cells.some((cell) => Number(cell) <= Number(accepted)),
      ]
      expect({ all: isMet('C>'), least: isMet('C<'), any: isMet('C'), ordered: isMet('R') }).toEqual({
        all,
        least: any,
        any,
        ordered: any,
      })
    }),
  )
})

describe('a policy that makes no sense of demands is refused, and says why', () => {
  const refusals = (content: EditionContent) => {
    const made = compileTable(content)
    return 'refusals' in made ? made.refusals.map(({ pointer, code }) => `${pointer} ${code}`) : []
  }
  test.each(['C+', 'C#'] as const)('%s: no row and no source demands a sum or a count', (policy) => {
    expect(refusals(byPolicy(policy, three))).toEqual(['/hitPolicy hit-policy-meaningless'])
  })
  test('P and O without listed values; C< and C> with two outputs or a range', () => {
    const outputs: EditionContent['outputs'] = [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }]
    expect(refusals(byPolicy('P', three, { outputs }))).toEqual(['/hitPolicy hit-policy'])
    expect(refusals(byPolicy('O', three, { outputs }))).toEqual(['/hitPolicy hit-policy'])
    expect(refusals(byPolicy('C>', [['a', '1000', '60']]))).toEqual(['/hitPolicy hit-policy'])
    const range: EditionContent['outputs'] = [{ parameter: 'testVoltage', relation: 'in', unit: 'V' }]
    expect(refusals(byPolicy('C>', [['a', '[1..2]']], { outputs: range }))).toEqual(['/hitPolicy hit-policy'])
  })
  test.each([
    ['1500, 1800', '1000', '/rows/0/then/0 cell-value'],
    ['1500, 1800', '750 * ratedVoltage', '/rows/0/then/0 cell-unsupported'],
    ['not(1500)', '1500', '/outputs/0/values cell-unsupported'],
    ['-', '1500', '/outputs/0/values cell-unsupported'],
    ['"high"', '1500', '/outputs/0/values cell-type'],
    ['1500,', '1500', '/outputs/0/values cell-syntax'],
  ])('values %s, cell %s', (values, cell, expected) => {
    const table = byPolicy('C', [['a', cell]], {
      inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
      outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V', values }],
      rows: [{ row: 'a', when: ['-'], then: [cell] }],
    })
    expect(refusals(table)).toEqual([expected])
  })
  test('a list of values may be a range, in the unit of its column, and - may stand in it', () => {
    const outputs: EditionContent['outputs'] = [
      { parameter: 'testVoltage', relation: '>=', unit: 'kV', values: '[1..2]' },
    ]
    expect(
      refusals(
        byPolicy(
          'C',
          [
            ['a', '1.5'],
            ['b', '-'],
          ],
          { outputs },
        ),
      ),
    ).toEqual([])
    expect(refusals(byPolicy('C', [['a', '2.5']], { outputs }))).toEqual(['/rows/0/then/0 cell-value'])
    expect(
      compiled(
        byPolicy(
          'C',
          [
            ['a', '1.5'],
            ['b', '-'],
          ],
          { outputs },
        ),
      ).rows.map(({ places }) => places),
    ).toEqual([[0], [1]])
  })
})
