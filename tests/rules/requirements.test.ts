import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import { writeComparison } from '../../src/rules/demand.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { compiled, extractorStrength, houseTable } from './aldermoor-tables.ts'
import { atLeast, attributes, brief, exactly, noInputs, outcomes } from './outcomes.ts'

// The factor from a.c. to d.c. stands in the rule table; a changed factor is a changed rule.
describe('the d.c. substitute for an a.c. test', () => {
  const withFactor = (factor: string) =>
    houseTable({
      ...noInputs,
      subject: 'electric-strength-dc',
      outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
      rows: [{ row: 'dc', when: [], then: [`1500 * ${factor}`] }],
    })
  test.each([
    ['1.414', '1500', 'blocking dc: testVoltage requirement-not-met'],
    ['1.414', '2121', 'met by dc'],
    ['1.414', '2122', 'met by dc'],
    ['1.41421356', '2121', 'blocking dc: testVoltage requirement-not-met'],
    ['1.41421356', '2121.32034', 'met by dc'],
    ['1.41421356', '2122', 'met by dc'],
  ])('factor %s, %s V', (factor, volts, expected) => {
    const [outcome] = outcomes(
      [withFactor(factor)],
      { testVoltage: atLeast(volts) },
      { subject: 'electric-strength-dc' },
    )
    expect(brief(outcome)).toBe(expected)
  })

  test('an a.c. step is not asked', () => {
    expect(outcomes([withFactor('1.414')], { testVoltage: atLeast('1') })).toEqual([])
  })
})

// Voltage and time count as pairs; between two rows lies no third.
describe('pairs of voltage and time', () => {
  const pairs = houseTable({
    ...noInputs,
    outputs: [
      { parameter: 'testVoltage', relation: '>=', unit: 'V' },
      { parameter: 'dwell', relation: '>=', unit: 's' },
    ],
    rows: [
      { row: 'minute', when: [], then: ['1500', '60'] },
      { row: 'second', when: [], then: ['1800', '1'] },
    ],
  })
  test.each([
    ['1500', '1', 'blocking second: testVoltage requirement-not-met'],
    ['1500', '60', 'met by minute'],
    ['1800', '1', 'met by second'],
    ['1799.999', '1', 'blocking second: testVoltage requirement-not-met'],
    ['1800', '0.999', 'blocking second: dwell requirement-not-met'],
    ['1650', '30', 'blocking second: testVoltage requirement-not-met'],
    ['1800', '60', 'met by minute'],
    ['1400', '0.5', 'blocking second: testVoltage requirement-not-met, dwell requirement-not-met'],
  ])('%s V for %s s', (volts, seconds, expected) => {
    expect(brief(outcomes([pairs], { testVoltage: atLeast(volts), dwell: atLeast(seconds) })[0])).toBe(expected)
  })

  test('the nearest row is shown with all its numbers, in the unit of the rule', () => {
    const [outcome] = outcomes([pairs], { testVoltage: atLeast('1650'), dwell: atLeast('30') })
    if (outcome?.outcome !== 'not-met') throw new Error(String(brief(outcome)))
    // 150 of 1800 V are missing (a twelfth), against 30 of 60 s (a half).
    expect(outcome.comparisons.map(writeComparison)).toEqual([
      {
        parameter: 'testVoltage',
        relation: '>=',
        demanded: { value: '1800', unit: 'V' },
        accepted: { least: '1650', unit: 'V' },
        margin: { value: '-150', unit: 'V' },
      },
      {
        parameter: 'dwell',
        relation: '>=',
        demanded: { value: '1', unit: 's' },
        accepted: { least: '30', unit: 's' },
        margin: { value: '29', unit: 's' },
      },
    ])
  })
})

test('of any pairs, in any order, one must be met wholly', () => {
  const small = fc.integer({ min: 0, max: 6 })
  const pair = fc.tuple(small, small)
  fc.assert(
    fc.property(fc.array(pair, { minLength: 1, maxLength: 5 }), pair, ([...pairs], [volts, seconds]) => {
      const table = (rows: readonly (readonly [number, number])[]) =>
        houseTable({
          ...noInputs,
          outputs: [
            { parameter: 'testVoltage', relation: '>=', unit: 'kV' },
            { parameter: 'dwell', relation: '<=', unit: 'ms' },
          ],
          rows: rows.map((demanded, index) => ({ row: `r${index}`, when: [], then: demanded.map(String) })),
        })
      const accepted = { testVoltage: atLeast(`${volts}e3`), dwell: { most: decimal(`${seconds}e-3`) } }
      const expected = pairs.some(([least, most]) => volts >= least && seconds <= most) ? 'met' : 'not-met'
      expect(outcomes([table(pairs)], accepted)[0]?.outcome).toBe(expected)
      expect(outcomes([table(pairs.reverse())], accepted)[0]?.outcome).toBe(expected)
    }),
    { numRuns: 200 },
  )
})

// The limit of a bond follows the cord; a variant whose cord is not declared cannot be checked.
describe('a limit that depends on the supply cord', () => {
  const bond = houseTable({
    subject: 'protective-bonding',
    inputs: [{ attribute: 'earthCoreResistance', type: 'number', unit: 'Ohm' }],
    outputs: [{ parameter: 'limitUpper', relation: '<=', unit: 'Ohm' }],
    rows: [{ row: 'cord', when: ['-'], then: ['0.1 + earthCoreResistance'] }],
  })
  test.each([
    ['0.051', '0.151', 'met by cord'],
    ['0.051', '0.152', 'blocking cord: limitUpper requirement-not-met'],
    ['0', '0.1', 'met by cord'],
    ['0', '0.145', 'blocking cord: limitUpper requirement-not-met'],
    [undefined, '0.1', 'attribute-missing'],
  ])('cord %s Ohm, limit %s Ohm', (cord, limit, expected) => {
    const known = new Map<string, AttributeValue>(cord === undefined ? [] : [['earthCoreResistance', decimal(cord)]])
    const [outcome] = outcomes(
      [bond],
      { limitUpper: exactly(limit) },
      { subject: 'protective-bonding', attributes: known },
    )
    expect(brief(outcome)).toBe(expected)
    if (outcome?.outcome === 'unresolved') expect(outcome.attribute).toBe('earthCoreResistance')
  })
})

// The whole revision is compared with every table, so an old defect shows as well.
describe('a tightened rule', () => {
  const bondOf = (amperes: string) =>
    houseTable({
      ...noInputs,
      table: 'bond',
      subject: 'protective-bonding',
      outputs: [{ parameter: 'testCurrent', relation: '>=', unit: 'A' }],
      rows: [{ row: 'all', when: [], then: [amperes] }],
    })
  test.each([
    ['10', '10', 'met by all'],
    ['25', '10', 'blocking all: testCurrent requirement-not-met'],
    ['25', '25', 'met by all'],
  ])('at least %s A demanded, %s A accepted', (demanded, accepted, expected) => {
    const given = { testCurrent: atLeast(accepted) }
    expect(brief(outcomes([bondOf(demanded)], given, { subject: 'protective-bonding' })[0])).toBe(expected)
  })
  test('a parameter that the revision does not state is a finding of its own', () => {
    expect(brief(outcomes([bondOf('25')], {}, { subject: 'protective-bonding' })[0])).toBe(
      'blocking all: testCurrent parameter-absent',
    )
  })
})

describe('what stays open always blocks', () => {
  const gap = houseTable({
    inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V', values: '[0..300]' }],
    outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
    rows: [{ row: 'low', when: ['<= 50'], then: ['1000'] }],
  })
  const twice = houseTable({
    ...noInputs,
    hitPolicy: 'U',
    outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
    rows: [
      { row: 'one', when: [], then: ['1000'] },
      { row: 'two', when: [], then: ['1000'] },
    ],
  })
  const given = { testVoltage: atLeast('9999') }

  test('no row matches', () => {
    expect(outcomes([gap], given)).toMatchObject([{ outcome: 'unresolved', severity: 'blocking', code: 'rule-gap' }])
    const known = new Map([['ratedVoltage', decimal(400)]])
    expect(outcomes([gap], given, { attributes: known })).toMatchObject([
      { code: 'rule-gap', attribute: 'ratedVoltage' },
    ])
  })
  test('two rows match under hit policy U, even if they agree', () => {
    expect(outcomes([twice], given)).toMatchObject([{ code: 'rule-ambiguous', rows: ['one', 'two'] }])
  })
  test('an attribute is missing, in appliesWhen as well', () => {
    expect(outcomes([gap], given, { attributes: new Map() })).toMatchObject([
      { code: 'attribute-missing', attribute: 'ratedVoltage' },
    ])
    expect(outcomes([extractorStrength], given, { attributes: new Map() })).toMatchObject([
      { code: 'attribute-missing', attribute: 'family' },
    ])
  })
  test('a formula has no value', () => {
    const table = houseTable({
      inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
      outputs: [
        { parameter: 'testVoltage', relation: '>=', unit: 'V' },
        { parameter: 'frequency', relation: 'in', unit: 'Hz' },
      ],
      rows: [{ row: 'r', when: ['-'], then: ['1 / (ratedVoltage - 230)', '[45..ratedVoltage - 190]'] }],
    })
    expect(outcomes([table], given)).toMatchObject([
      { code: 'formula-uncomputable', parameter: 'testVoltage', because: 'division-by-zero', rows: ['r'] },
    ])
    const known = new Map([['ratedVoltage', decimal(231)]])
    expect(outcomes([table], given, { attributes: known })).toMatchObject([
      { code: 'formula-uncomputable', parameter: 'frequency', because: 'range-empty' },
    ])
  })
})

describe('which rows bind', () => {
  const outputs: EditionContent['outputs'] = [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }]
  const one = { ...noInputs, outputs, rows: [{ row: 'r', when: [], then: ['1000'] }] }
  const low = { testVoltage: atLeast('900') }

  test('a verified routine row blocks, any other warns unless the publication states a reason', () => {
    expect(brief(outcomes([houseTable(one)], low)[0])).toMatch('blocking')
    expect(outcomes([houseTable(one, 'unverified')], low)).toMatchObject([{ severity: 'warning', binding: 'none' }])
    const stated = { table: compiled(houseTable(one, 'invented')), bindsBecause: 'demonstration' }
    expect(outcomes([stated], low)).toMatchObject([{ severity: 'blocking', binding: 'stated-reason' }])
    expect(outcomes([{ ...stated, bindsBecause: ' ' }], low)).toMatchObject([{ severity: 'warning' }])
  })

  test('a verified source of type tests does not bind', () => {
    const table = houseTable(one)
    const asType = { ...table, sources: table.sources.map((source) => ({ ...source, use: 'type' as const })) }
    expect(outcomes([asType], low)).toMatchObject([{ severity: 'warning' }])
  })

  test('a row that does not bind is no way round one that does', () => {
    const table = houseTable({
      ...one,
      rows: [
        { row: 'hard', when: [], then: ['1000'] },
        { row: 'easy', when: [], then: ['100'] },
      ],
    })
    const [source] = table.sources
    if (!source) throw new Error('no source')
    const mixed: EditionContent = {
      ...table,
      sources: [
        { ...source, rows: ['hard'] },
        { ...source, rows: ['easy'], verification: 'unverified' },
      ],
    }
    expect(brief(outcomes([table], low)[0])).toBe('met by easy')
    expect(brief(outcomes([mixed], low)[0])).toBe('blocking hard: testVoltage requirement-not-met')
  })
})

describe('several tables', () => {
  const general = houseTable({
    ...noInputs,
    table: 'appliance-strength',
    edition: 4,
    outputs: [
      { parameter: 'testVoltage', relation: '>=', unit: 'V' },
      { parameter: 'tripCurrent', relation: '<=', unit: 'mA' },
    ],
    rows: [{ row: 'all', when: [], then: ['1000', '5'] }],
  })
  const family = { table: compiled(extractorStrength), bindsBecause: 'house rule' }
  const given = { testVoltage: atLeast('1200'), dwell: atLeast('1'), tripCurrent: exactly('0.008') }

  test('the published step meets row b4, and the override lets its trip current pass', () => {
    const [first, second] = outcomes([general, family], given)
    expect([brief(first), brief(second)]).toEqual(['met by all', 'met by b4'])
    expect(first?.overridden).toEqual([
      {
        parameter: 'tripCurrent',
        byTable: 'extractor-strength',
        byEdition: 3,
        reason: 'filter current of this family',
      },
    ])
    // The other demands of the general table still bind.
    expect(brief(outcomes([general, family], { ...given, testVoltage: atLeast('999') })[0])).toMatch('testVoltage')
  })

  test('where the special table is silent, or only warns, it overrides nothing', () => {
    const other = new Map<string, AttributeValue>([...attributes, ['family', 'garden-shredder']])
    expect(outcomes([general, family], given, { attributes: other }).map(brief)).toEqual([
      'blocking all: tripCurrent requirement-not-met',
    ])
    expect(outcomes([general, extractorStrength], given).map(brief)).toEqual([
      'blocking all: tripCurrent requirement-not-met',
      'met by b4',
    ])
  })

  test('tables that override each other in a circle stay whole', () => {
    const circle = (table: string, over: string) => ({
      ...general,
      table,
      overrides: [{ table: over, parameter: 'tripCurrent' as const, reason: 'circle' }],
    })
    const three = [circle('a', 'b'), circle('b', 'c'), circle('c', 'a')]
    expect(outcomes(three, given).map(brief)).toEqual(three.map(() => 'blocking all: tripCurrent requirement-not-met'))
    expect(outcomes(three.slice(0, 2), given).map(brief)).toEqual([
      'blocking all: tripCurrent requirement-not-met',
      'met by all',
    ])
  })

  test('a table of another rule set or subject is silent', () => {
    expect(outcomes([{ ...general, ruleSet: 'export' }], given)).toEqual([])
    expect(outcomes([general], given, { subject: 'touch-current' })).toEqual([])
  })

  test('the order of the tables changes no outcome', () => {
    const forward = outcomes([general, family], given).map(brief)
    expect(outcomes([family, general], given).map(brief)).toEqual(forward.reverse())
  })
})
