import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import { applies, compileTable } from '../../src/rules/compile-table.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { compiled, houseTable } from './aldermoor-tables.ts'

describe('tables that are refused', () => {
  const good = houseTable({
    inputs: [
      { attribute: 'ratedVoltage', type: 'number', unit: 'V' },
      { attribute: 'protectionClass', type: 'string', values: '"I","II"' },
    ],
    outputs: [
      { parameter: 'testVoltage', relation: '>=', unit: 'V' },
      { parameter: 'frequency', relation: 'in', unit: 'Hz' },
      { parameter: 'limitInRamp', relation: '=' },
    ],
    rows: [
      { row: 'a', when: ['<= 150', '"I"'], then: ['1000', '[45..65]', 'true'] },
      { row: 'b', when: ['> 150', '-'], then: ['1500', '-', '-'] },
    ],
  })
  const [first, second] = good.rows
  const [source] = good.sources

  test('the table they differ from is accepted', () => {
    expect(compileTable(good)).toHaveProperty('table')
  })

  test.each<[string, Partial<EditionContent>, pointer: string, code: string]>([
    [
      'too few cells',
      { rows: [{ ...first, row: 'a', when: ['-'], then: ['-', '-', '-'] }, second ?? []].flat() },
      '/rows/0/when',
      'row-length',
    ],
    [
      'too many cells',
      { rows: [{ row: 'a', when: ['-', '-'], then: ['1', '-', '-', '-'] }, second ?? []].flat() },
      '/rows/0/then',
      'row-length',
    ],
    [
      'a row name twice',
      { rows: [first ?? [], { row: 'a', when: ['> 9', '-'], then: ['1', '-', '-'] }, second ?? []].flat() },
      '/rows/1/row',
      'duplicate-row',
    ],
    [
      'a row without source',
      { sources: [{ ...source, rows: ['a'] }] as EditionContent['sources'] },
      '/rows/1',
      'row-without-source',
    ],
    [
      'a source of no row',
      { sources: [{ ...source, rows: ['a', 'b', 'c'] }] as EditionContent['sources'] },
      '/sources/0/rows/2',
      'row-unknown',
    ],
    [
      'an unknown attribute',
      { inputs: [{ attribute: 'colour', type: 'string' }, ...good.inputs.slice(1)] },
      '/inputs/0/attribute',
      'attribute-unknown',
    ],
    [
      'an attribute of other steps',
      { inputs: [{ attribute: 'network', type: 'string' }, ...good.inputs.slice(1)] },
      '/inputs/0/attribute',
      'attribute-unknown',
    ],
    [
      'an attribute by an inherited name',
      { inputs: [{ attribute: 'constructor', type: 'string' }, ...good.inputs.slice(1)] },
      '/inputs/0/attribute',
      'attribute-unknown',
    ],
    [
      'an input twice',
      { inputs: [good.inputs[0] ?? [], good.inputs[0] ?? []].flat() },
      '/inputs/1/attribute',
      'duplicate-input',
    ],
    [
      'an input of another type',
      { inputs: [{ attribute: 'ratedVoltage', type: 'string' }, ...good.inputs.slice(1)] },
      '/inputs/0/type',
      'input-type',
    ],
    [
      'an input without unit',
      { inputs: [{ attribute: 'ratedVoltage', type: 'number' }, ...good.inputs.slice(1)] },
      '/inputs/0/unit',
      'unit-missing',
    ],
    [
      'an input with an ambiguous unit',
      { inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'KV' }, ...good.inputs.slice(1)] },
      '/inputs/0/unit',
      'unit-ambiguous',
    ],
    [
      'an input in a unit of another dimension',
      { inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'A' }, ...good.inputs.slice(1)] },
      '/inputs/0/unit',
      'unit-dimension',
    ],
    [
      'a unit on a word',
      { inputs: [good.inputs[0] ?? [], { attribute: 'protectionClass', type: 'string' as const, unit: 'V' }].flat() },
      '/inputs/1/unit',
      'unit-unexpected',
    ],
    [
      'a bad cell',
      { rows: [{ row: 'a', when: ['[5..1]', '-'], then: ['1', '-', '-'] }, second ?? []].flat() },
      '/rows/0/when/0',
      'interval-empty',
    ],
    [
      'a word outside the vocabulary',
      { rows: [{ row: 'a', when: ['-', '"IV"'], then: ['1', '-', '-'] }, second ?? []].flat() },
      '/rows/0/when/1',
      'cell-value',
    ],
    [
      "a word outside the column's values",
      { rows: [{ row: 'a', when: ['-', '"III"'], then: ['1', '-', '-'] }, second ?? []].flat() },
      '/rows/0/when/1',
      'cell-value',
    ],
    [
      'a bad list of values',
      { inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V', values: '[2..1]' }, ...good.inputs.slice(1)] },
      '/inputs/0/values',
      'interval-empty',
    ],
    [
      'an output twice',
      { outputs: [good.outputs[0] ?? [], good.outputs[0] ?? [], good.outputs[2] ?? []].flat() },
      '/outputs/1',
      'duplicate-output',
    ],
    [
      'an output without unit',
      { outputs: [{ parameter: 'testVoltage', relation: '>=' }, ...good.outputs.slice(1)] },
      '/outputs/0/unit',
      'unit-missing',
    ],
    [
      'an output of another dimension',
      { outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 's' }, ...good.outputs.slice(1)] },
      '/outputs/0/unit',
      'unit-dimension',
    ],
    [
      'a limit of another dimension than the step reads',
      { outputs: [{ parameter: 'limitUpper', relation: '<=', unit: 'Ohm' }, ...good.outputs.slice(1)] },
      '/outputs/0/unit',
      'unit-dimension',
    ],
    [
      'a flag with a unit',
      { outputs: [...good.outputs.slice(0, 2), { parameter: 'limitInRamp', relation: '=', unit: '1' }] },
      '/outputs/2/unit',
      'unit-unexpected',
    ],
    [
      'a flag with an order',
      { outputs: [...good.outputs.slice(0, 2), { parameter: 'limitInRamp', relation: '>=' }] },
      '/outputs/2/relation',
      'relation',
    ],
    [
      'kinds that come later, by another relation than in',
      { outputs: [{ parameter: 'precedes', relation: '=' }, ...good.outputs.slice(1)] },
      '/outputs/0/relation',
      'relation',
    ],
    [
      'an output of the plan in a table about a step',
      { outputs: [{ parameter: 'stepPresent', relation: 'in' }, ...good.outputs.slice(1)] },
      '/outputs/0/parameter',
      'parameter-unknown',
    ],
    [
      'a range that is none',
      { rows: [{ row: 'a', when: ['-', '-'], then: ['1', '50', '-'] }, second ?? []].flat() },
      '/rows/0/then/1',
      'cell-type',
    ],
    [
      'a flag that is none',
      { rows: [{ row: 'a', when: ['-', '-'], then: ['1', '-', '1'] }, second ?? []].flat() },
      '/rows/0/then/2',
      'cell-type',
    ],
    [
      'a formula over an attribute without column',
      { rows: [{ row: 'a', when: ['-', '-'], then: ['2 * ratedPower', '-', '-'] }, second ?? []].flat() },
      '/rows/0/then/0',
      'attribute-unknown',
    ],
    [
      'an override of itself',
      { overrides: [{ table: 'house', parameter: 'dwell', reason: 'none' }] },
      '/overrides/0/table',
      'override-of-itself',
    ],
    [
      'an override of what the subject does not have',
      { overrides: [{ table: 'x', parameter: 'stepPresent', reason: 'none' }] },
      '/overrides/0/parameter',
      'parameter-unknown',
    ],
    [
      'an override twice',
      { overrides: [1, 2].map(() => ({ table: 'x', parameter: 'dwell' as const, reason: 'one' })) },
      '/overrides/1',
      'duplicate-override',
    ],
    ['a bad appliesWhen', { appliesWhen: { family: '"a" "b"' } }, '/appliesWhen/family', 'cell-syntax'],
    [
      'appliesWhen about an unknown attribute',
      { appliesWhen: { colour: '"red"' } },
      '/appliesWhen/colour',
      'attribute-unknown',
    ],
    [
      'appliesWhen about a quantity without column',
      { appliesWhen: { ratedPower: '> 1' } },
      '/appliesWhen/ratedPower',
      'unit-missing',
    ],
  ])('%s', (_, parts, pointer, code) => {
    const made = compileTable({ ...good, ...parts })
    expect('refusals' in made && made.refusals.map((refusal) => `${refusal.pointer} ${refusal.code}`)).toContain(
      `${pointer} ${code}`,
    )
  })

  test('a refused cell says where in it', () => {
    const made = compileTable({
      ...good,
      rows: [{ row: 'a', when: ['1, oops', '-'], then: ['1', '-', '-'] }, ...good.rows.slice(1)],
    })
    expect(made).toMatchObject({ refusals: [{ pointer: '/rows/0/when/0', code: 'cell-unsupported', at: 3 }] })
  })

  test('appliesWhen on a quantity takes the unit of its column, on a count none', () => {
    const made = compiled({ ...good, appliesWhen: { ratedVoltage: '>= 100', phases: '1' } })
    const known = (volts: string, phases: number) =>
      new Map([
        ['ratedVoltage', decimal(volts)],
        ['phases', decimal(phases)],
      ])
    expect(applies(made, known('100', 1))).toBe(true)
    expect(applies(made, known('99.9', 1))).toBe(false)
    expect(applies(made, known('100', 3))).toBe(false)
  })

  test('a table may not have more than five thousand cells', () => {
    const table = (rowCount: number) =>
      houseTable({
        inputs: [
          { attribute: 'ratedVoltage', type: 'number', unit: 'V' },
          { attribute: 'phases', type: 'number', unit: '1' },
          { attribute: 'mobility', type: 'string' },
          { attribute: 'protectionClass', type: 'string' },
          { attribute: 'family', type: 'string' },
        ],
        outputs: [
          { parameter: 'testVoltage', relation: '>=', unit: 'V' },
          { parameter: 'testVoltage', relation: '<=', unit: 'V' },
          { parameter: 'dwell', relation: '>=', unit: 's' },
          { parameter: 'dwell', relation: '<=', unit: 's' },
          { parameter: 'limitUpper', relation: '<=', unit: 'mA' },
        ],
        rows: Array.from({ length: rowCount }, (_, n) => ({
          row: `r${n}`,
          when: [String(n + 1), '-', '-', '-', '-'],
          then: ['1', '-', '-', '-', '-'],
        })),
      })
    expect(compileTable(table(500))).toHaveProperty('table')
    expect(compileTable({ ...table(500), rows: table(501).rows })).toMatchObject({
      refusals: [{ pointer: '/rows', code: 'table-too-large' }],
    })
  })

  test('a column may not list a thousand values', () => {
    const rows = Array.from({ length: 20 }, (_, n) => ({
      row: `r${n}`,
      when: [Array.from({ length: 60 }, (__, m) => 1000 + n * 60 + m).join(', ')],
      then: ['1'],
    }))
    const table = houseTable({
      inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V' }],
      outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
      rows,
    })
    expect(compileTable(table)).toMatchObject({ refusals: [{ pointer: '/inputs/0', code: 'table-too-large' }] })
  })
})
