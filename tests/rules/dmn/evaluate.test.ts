import { describe, expect, test } from 'vitest'
import { evaluated, literalXml, model, result, tableXml } from './models.ts'

const bands = (policy: string, more: Partial<Parameters<typeof tableXml>[0]> = {}) =>
  model({
    inputs: { 'Rated voltage': 'number' },
    decisions: {
      Strength: {
        xml: tableXml({
          policy,
          inputs: [['Rated voltage', 'number']],
          outputs: [[undefined, '1500, 1000, 800']],
          rules: [
            ['<= 150', '800'],
            ['<= 300', '1000'],
            ['[100..300]', '1500'],
            ['not(> 0)', '1000'],
          ],
          ...more,
        }),
      },
    },
  })

const at = (policy: string, voltage: number, more: Parameters<typeof bands>[1] = {}) =>
  result(bands(policy, more), 'Strength', { 'Rated voltage': voltage })

describe('each hit policy (OMG DMN 1.5, section 8.2.8)', () => {
  test('unique: one row or nothing', () => {
    expect(at('UNIQUE', 400)).toBe(null)
    expect(at('UNIQUE', 120)).toBe(null) // Two rows: the table is broken there.
    expect(at('UNIQUE', 120, { rules: [['<= 150', '800']] })).toBe(800)
  })

  test('any: rows that agree', () => {
    expect(at('ANY', 250)).toBe(null)
    const agreeing = [
      ['<= 300', '1000'],
      ['> 200', '2000 / 2'],
    ]
    expect(at('ANY', 250, { rules: agreeing })).toBe(1000)
  })

  test('first, priority, rule order, output order', () => {
    expect(at('FIRST', 120)).toBe(800)
    expect(at('PRIORITY', 120)).toBe(1500)
    expect(at('RULE ORDER', 120)).toEqual([800, 1000, 1500])
    expect(at('OUTPUT ORDER', 120)).toEqual([1500, 1000, 800])
  })

  test('collect, and its aggregations', () => {
    expect(at('COLLECT', 120)).toEqual([800, 1000, 1500])
    const by = (aggregation: string, voltage = 120) => at('COLLECT', voltage, { aggregation })
    expect([by('SUM'), by('MIN'), by('MAX'), by('COUNT')]).toEqual([3300, 800, 1500, 3])
    expect([by('SUM', 400), by('COUNT', 400)]).toEqual([null, null])
  })

  test('an aggregation of what is no number says nothing', () => {
    expect(at('COLLECT', 120, { aggregation: 'SUM', rules: [['-', '"a"']] })).toBe(null)
    expect(at('COLLECT', 120, { aggregation: 'COUNT', rules: [['-', '"a"']] })).toBe(1)
  })

  test('sums are exact', () => {
    const thirds = [
      ['-', '0.1'],
      ['-', '0.2'],
    ]
    expect(
      evaluated(bands('COLLECT', { aggregation: 'SUM', outputs: [[]], rules: thirds }), 'Strength', {
        'Rated voltage': 1,
      }).value,
    ).toEqual({ coefficient: 3, scale: 1 })
  })

  test('an unknown policy is refused', () => {
    expect(() => bands('MOST')).toThrow("'MOST' is no hit policy")
    expect(() => bands('COLLECT', { aggregation: 'MEAN' })).toThrow("'COLLECT MEAN' is no hit policy")
  })
})

test('several outputs are a context; priority goes by the first output, then by the second', () => {
  const table = model({
    inputs: { family: 'string' },
    decisions: {
      Plan: {
        xml: tableXml({
          policy: 'OUTPUT ORDER',
          inputs: [['family', 'string', '"extractor","centrifuge"']],
          outputs: [
            ['Test/kind', '"strength","bonding"'],
            ['by', '"all","sample"'],
          ],
          rules: [
            ['-', '"bonding"', '"all"'],
            ['"extractor"', '"strength"', '"sample"'],
            ['-', '"strength"', '"all"'],
          ],
        }),
      },
    },
  })
  expect(result(table, 'Plan', { family: 'extractor' })).toEqual([
    { 'Test/kind': 'strength', by: 'all' },
    { 'Test/kind': 'strength', by: 'sample' },
    { 'Test/kind': 'bonding', by: 'all' },
  ])
  // A value that the input does not allow counts as none, which only - takes.
  expect(result(table, 'Plan', { family: 'shredder' })).toEqual([
    { 'Test/kind': 'strength', by: 'all' },
    { 'Test/kind': 'bonding', by: 'all' },
  ])
})

test('the default is said where no row matches, as an item of a list where a list is asked for', () => {
  const table = (policy: string, type: string) =>
    model({
      inputs: { n: 'number' },
      more: '<itemDefinition name="tNumbers" isCollection="true"><typeRef>number</typeRef></itemDefinition>',
      decisions: {
        d: {
          type,
          xml: tableXml({
            policy,
            inputs: [['n', 'number']],
            outputs: [[undefined, undefined, '7 + 1']],
            rules: [['> 5', '1']],
          }),
        },
      },
    })
  expect(result(table('UNIQUE', 'number'), 'd', { n: 1 })).toBe(8)
  expect(result(table('COLLECT', 'tNumbers'), 'd', { n: 1 })).toEqual([8])
  expect(result(table('COLLECT', 'tNumbers'), 'd', { n: 6 })).toEqual([1])
  expect(result(table('COLLECT', 'number'), 'd', { n: 6 })).toBe(1)
})

const structured = model({
  inputs: { Extractor: 'tExtractor', 'Another number': 'number', limits: 'tNumbers', due: 'date', Word: 'string' },
  more: `<itemDefinition name="tExtractor">
      <itemComponent name="voltage"><typeRef>feel:number</typeRef></itemComponent>
      <itemComponent name="made on"><typeRef>date</typeRef></itemComponent>
    </itemDefinition>
    <itemDefinition name="tNumbers" isCollection="true"><typeRef>number</typeRef></itemDefinition>`,
  decisions: {
    compare: {
      xml: tableXml({
        inputs: [['Another number', 'number']],
        outputs: [[]],
        rules: [
          ['Extractor.voltage', '"same"'],
          ['> Extractor.voltage', '"above"'],
          ['< Extractor.voltage', '"below"'],
        ],
      }),
    },
    range: {
      xml: tableXml({
        policy: 'FIRST',
        inputs: [['Extractor.voltage', 'number']],
        outputs: [[]],
        rules: [
          ['(100..Another number]', '"in"'],
          ['limits', '"listed"'],
          ['? > 1000 and ? < 2000', '"high"'],
          ['null', '"unknown"'],
          ['-', '"out"'],
        ],
      }),
    },
    late: {
      xml: tableXml({
        inputs: [['Extractor.made on', 'date']],
        outputs: [[]],
        rules: [
          ['> due', 'true'],
          ['<= date("2026-01-31")', 'false'],
        ],
      }),
    },
    words: {
      xml: tableXml({
        policy: 'COLLECT',
        inputs: [['Word']],
        outputs: [[]],
        rules: [
          ['not("a")', 'Word + "!"'],
          ['"a","b"', '"ab"'],
        ],
      }),
    },
  },
})

test('cells may name other inputs, members, lists, ranges and the input itself', () => {
  const compare = (n: number) => result(structured, 'compare', { Extractor: { voltage: 230 }, 'Another number': n })
  expect([compare(230), compare(231), compare(229)]).toEqual(['same', 'above', 'below'])
  const range = (voltage: number | null) =>
    result(structured, 'range', { Extractor: { voltage }, 'Another number': 230, limits: [48, 1500] })
  expect([230, 100, 48, 1200, 300, null].map(range)).toEqual(['in', 'out', 'listed', 'high', 'out', 'unknown'])
})

test('dates are compared as dates, and a name may hold blanks', () => {
  const late = (made: string) =>
    result(structured, 'late', { Extractor: { 'made on': `@${made}` }, due: '@2026-03-01' })
  expect([late('2026-03-02'), late('2026-01-31'), late('2026-02-15')]).toEqual([true, false, null])
})

test('not(...) holds for whatever is not listed, null included', () => {
  expect(result(structured, 'words', { Word: 'b' })).toEqual(['b!', 'ab'])
  expect(result(structured, 'words', { Word: 'a' })).toEqual(['ab'])
  // The rule matches; its output adds to null, which is null.
  expect(result(structured, 'words', { Word: null })).toEqual([null])
})

test('a decision may require others and call functions that hold a table', () => {
  const chain = model({
    inputs: { 'Years of use': 'number', kind: 'string' },
    more: `<businessKnowledgeModel id="Days-of" name="Days-of"><variable name="Days-of"/><encapsulatedLogic>
        <formalParameter name="years" typeRef="number"/>
        ${tableXml({
          policy: 'COLLECT',
          aggregation: 'MAX',
          inputs: [['years', 'number']],
          outputs: [[undefined, undefined, '0']],
          rules: [
            ['>= 5', '3'],
            ['>= 10', '7'],
          ],
        })}
      </encapsulatedLogic></businessKnowledgeModel>`,
    decisions: {
      Base: { requires: [], xml: literalXml('22') },
      'Extra days': {
        calls: ['Days-of'],
        xml: `<invocation>${literalXml('Days-of')}<binding><parameter name="years"/>${literalXml('Years of use')}</binding></invocation>`,
      },
      Total: {
        requires: ['Base', 'Extra days', 'kind'],
        xml: literalXml('if kind = "spare" then Base else Base + max(Extra days, 1)'),
      },
      Boxed: {
        requires: ['Total'],
        xml: `<context><contextEntry><variable name="the total"/>${literalXml('Total * 2')}</contextEntry><contextEntry>${literalXml('the total + 1')}</contextEntry></context>`,
      },
    },
  })
  const total = (years: number, kind: string) => result(chain, 'Total', { 'Years of use': years, kind })
  expect([total(12, 'x'), total(5, 'x'), total(1, 'x'), total(12, 'spare')]).toEqual([29, 25, 23, 22])
  expect(result(chain, 'Boxed', { 'Years of use': 12, kind: 'x' })).toBe(59)
})

test('a function may call itself; one that never ends gives nothing', () => {
  const recursive = (body: string) =>
    model({
      inputs: { n: 'number' },
      more: `<businessKnowledgeModel id="f" name="f"><variable name="f"/><encapsulatedLogic><formalParameter name="k" typeRef="number"/>${literalXml(body)}</encapsulatedLogic></businessKnowledgeModel>`,
      decisions: { d: { calls: ['f'], xml: literalXml('f(n)') } },
    })
  expect(result(recursive('if k <= 1 then 1 else k * f(k - 1)'), 'd', { n: 10 })).toBe(3_628_800)
  const endless = evaluated(recursive('f(k + 1)'), 'd', { n: 1 })
  expect(endless).toMatchObject({ value: null, faults: [{ detail: 'calls functions more than 1000 times' }] })
})

test('a decision that requires itself, and a cell that does not parse, are told with their lines', () => {
  const circle = model({
    decisions: { a: { requires: ['b'], xml: literalXml('b') }, b: { requires: ['a'], xml: literalXml('a') } },
  })
  expect(evaluated(circle, 'a')).toMatchObject({ value: null, faults: [{ detail: "'a' requires itself" }] })
  const broken = bands('UNIQUE', { rules: [['> ', '1']] })
  expect(evaluated(broken, 'Strength').faults).toMatchObject([
    { line: 1, detail: 'at character 2 of the cell: ends too early' },
  ])
})

describe('allowed values', () => {
  const table = (values: string | undefined, cell: string, outputValues?: string) =>
    model({
      inputs: { v: 'Any' },
      decisions: {
        d: {
          xml: tableXml({
            inputs: [['v', 'Any', values]],
            outputs: [[undefined, outputValues]],
            rules: [[cell, '"a"']],
          }),
        },
      },
    })
  test.each([
    ['1, 2', '1', 1, 'a'],
    ['[1..2]', '2', 2, 'a'],
    ['-', '3', 3, 'a'],
    ['', '3', 3, 'a'],
    ['not(3)', '3', 3, null],
    ['not(3)', 'null', 3, 'a'],
    ['? > 2', '3', 3, 'a'],
    ['string length(?) = 3', '"foo"', 'foo', 'a'],
    ['string length("?") = 1', '"foo"', 'foo', null],
    ['?', '"foo"', 'foo', 'a'],
    ['?', 'false', false, 'a'],
    ['("123", true)', 'null', false, 'a'], // No tests at all, so they allow nothing.
  ] as const)('of an input: %s, cell %s, value %s: %s', (values, cell, v, expected) => {
    expect(result(table(values, cell), 'd', { v })).toBe(expected)
  })
  test.each([
    ['"a", "b"', 'a'],
    ['"b"', null],
    ['string length(?) > 1', null],
    ['', 'a'],
    ['-', 'a'],
  ])('of an output: %s: %s', (outputValues, expected) => {
    expect(result(table(undefined, '-', outputValues), 'd', { v: 1 })).toBe(expected)
  })
  test('of a type: an input, a result and an argument beyond it are null', () => {
    const typed = model({
      inputs: { v: 'tSmall' },
      more: `<itemDefinition name="tSmall"><typeRef>number</typeRef><allowedValues><text>[0..10]</text></allowedValues></itemDefinition>
        <itemDefinition name="tCopy"><typeRef>tSmall</typeRef></itemDefinition>
        <businessKnowledgeModel id="twice" name="twice"><variable name="twice" typeRef="tSmall"/><encapsulatedLogic>
          <formalParameter name="n" typeRef="tCopy"/>${literalXml('n * 2')}</encapsulatedLogic></businessKnowledgeModel>`,
      decisions: {
        same: { type: 'tCopy', xml: literalXml('v + 1') },
        call: { calls: ['twice'], xml: literalXml('twice(v)') },
      },
    })
    const of = (decision: string) => [4, 6, 10, 11].map((v) => result(typed, decision, { v }))
    expect(of('same')).toEqual([5, 7, null, null])
    expect(of('call')).toEqual([8, null, null, null])
  })
})

test('a collection is not aggregated over several outputs', () => {
  const outputs = [['a'], ['b']] as const
  expect(at('COLLECT', 120, { aggregation: 'COUNT', outputs, rules: [['-', '1', '2']] })).toBe(null)
  expect(at('COLLECT', 120, { outputs, rules: [['-', '1', '2']] })).toEqual([{ a: 1, b: 2 }])
})

test('a rule with too few cells is refused with its line', () => {
  expect(() => bands('UNIQUE', { rules: [['1']] })).toThrow('The rule has 1 and 0 cells for 1 inputs and 1 outputs.')
})
