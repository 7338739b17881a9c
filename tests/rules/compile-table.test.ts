import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import { applies, matchRows, valueNotAllowed } from '../../src/rules/compile-table.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { compiled, extractorStrength, houseTable } from './aldermoor-tables.ts'

function matching(content: EditionContent, attributes: Record<string, AttributeValue>) {
  const matched = matchRows(compiled(content), new Map(Object.entries(attributes)))
  return 'rows' in matched ? matched.rows.map(({ row }) => row) : matched
}

describe('the published example', () => {
  test.each<[insulation: string, volts: string, rows: string[]]>([
    ['basic', '23.999', []],
    ['basic', '24', ['b1', 'b2']],
    ['basic', '150', ['b1', 'b2']],
    ['basic', '150.001', ['b3', 'b4']],
    ['basic', '250', ['b3', 'b4']],
    ['basic', '250.001', ['b5', 'b6']],
    ['basic', '480', ['b5', 'b6']],
    ['basic', '480.001', []],
    ['double', '230', ['d1']],
    ['reinforced', '24', ['d1']],
    // A row that accepts any voltage accepts no voltage that the column does not declare.
    ['reinforced', '23.999', []],
    ['supplementary', '230', []],
  ])('%s insulation at %s V', (insulation, volts, rows) => {
    expect(matching(extractorStrength, { insulation, ratedVoltage: decimal(volts) })).toEqual(rows)
  })

  test('an attribute that decides nothing may be missing, one that decides is named', () => {
    expect(matching(extractorStrength, { insulation: 'basic' })).toEqual({ missing: 'ratedVoltage' })
    expect(matching(extractorStrength, { insulation: 'supplementary' })).toEqual([])
    expect(matching(extractorStrength, { ratedVoltage: decimal(230) })).toEqual({ missing: 'insulation' })
    expect(matching(extractorStrength, {})).toEqual({ missing: 'insulation' })
    expect(matching(extractorStrength, { insulation: 'double' })).toEqual(['d1'])
  })

  test('it applies to its family only', () => {
    const table = compiled(extractorStrength)
    expect(applies(table, new Map([['family', 'dust-extractor']]))).toBe(true)
    expect(applies(table, new Map([['family', 'bench-centrifuge']]))).toBe(false)
    expect(applies(table, new Map([['family', '']]))).toBe(false)
    expect(applies(table, new Map())).toEqual({ missing: 'family' })
  })

  test('a value that the column does not declare is named', () => {
    const attributes = new Map<string, AttributeValue>([
      ['insulation', 'basic'],
      ['ratedVoltage', decimal(500)],
    ])
    expect(valueNotAllowed(compiled(extractorStrength), attributes)).toBe('ratedVoltage')
  })

  test('a row says nothing where its cell is a dash', () => {
    const row = compiled(extractorStrength).rows.find(({ row: name }) => name === 'd1')
    expect(row?.cells.map(({ parameter }) => parameter)).toEqual(['testVoltage', 'dwell'])
    expect(row?.verifiedRoutine).toBe(false)
  })
})

// Bands with the lower edge exclusive and the upper inclusive; 1000, 1250, 1500, 1500, no rule.
describe('band edges', () => {
  const bands = houseTable({
    hitPolicy: 'U',
    inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
    outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
    rows: [
      { row: 'low', when: ['(0..50]'], then: ['1000'] },
      { row: 'middle', when: ['(50..150]'], then: ['1250'] },
      { row: 'high', when: ['(150..300]'], then: ['1500'] },
    ],
  })
  test.each([
    ['0', []],
    ['0.0000000001', ['low']],
    ['49.9999999999', ['low']],
    ['50', ['low']],
    ['50.0000000001', ['middle']],
    ['150', ['middle']],
    ['150.1', ['high']],
    ['300', ['high']],
    ['300.0000000001', []],
    ['310', []],
  ])('%s V', (volts, rows) => {
    expect(matching(bands, { ratedVoltage: decimal(volts) })).toEqual(rows)
  })
})

test('more than 32 rows and columns without any test', () => {
  const count = 100
  const rows = Array.from({ length: count }, (_, n) => ({
    row: `r${n}`,
    when: [`(${n}..${n + 1}]`, '-'],
    then: [String(n)],
  }))
  const table = houseTable({
    inputs: [
      { attribute: 'ratedVoltage', type: 'number', unit: 'V' },
      { attribute: 'ratedPower', type: 'number', unit: 'W' },
    ],
    outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
    rows,
  })
  for (const n of [1, 31, 32, 33, 63, 64, 65, count]) {
    expect(matching(table, { ratedVoltage: decimal(n), ratedPower: decimal(1) })).toEqual([`r${n - 1}`])
  }
  const withoutInputs = houseTable({
    inputs: [],
    outputs: table.outputs,
    rows: [{ row: 'all', when: [], then: ['1'] }],
  })
  expect(matching(withoutInputs, {})).toEqual(['all'])
})
