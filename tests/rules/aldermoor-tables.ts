import { type CompiledTable, compileTable } from '../../src/rules/compile-table.ts'
import { type EditionContent, EditionContentWire } from '../../src/rules/words.ts'

/** The published example of a rule table edition; its values are invented. */
export const extractorStrength: EditionContent = EditionContentWire.parse({
  table: 'extractor-strength',
  edition: 3,
  title: 'Routine electric strength, dust extractors',
  ruleSet: 'aldermoor-routine',
  subject: 'electric-strength-ac',
  appliesWhen: { family: '"dust-extractor"' },
  hitPolicy: 'C',
  overrides: [{ table: 'appliance-strength', parameter: 'tripCurrent', reason: 'filter current of this family' }],
  inputs: [
    { attribute: 'insulation', type: 'string', values: '"basic","double","reinforced"' },
    { attribute: 'ratedVoltage', type: 'number', unit: 'V', values: '[24..480]' },
  ],
  outputs: [
    { parameter: 'testVoltage', relation: '>=', unit: 'V' },
    { parameter: 'dwell', relation: '>=', unit: 's' },
    { parameter: 'tripCurrent', relation: '<=', unit: 'mA' },
  ],
  rows: [
    { row: 'b1', when: ['"basic"', '[24..150]'], then: ['800', '60', '10'] },
    { row: 'b2', when: ['"basic"', '[24..150]'], then: ['960', '1', '10'] },
    { row: 'b3', when: ['"basic"', '(150..250]'], then: ['1000', '60', '10'] },
    { row: 'b4', when: ['"basic"', '(150..250]'], then: ['1200', '1', '10'] },
    { row: 'b5', when: ['"basic"', '(250..480]'], then: ['500 + 2 * ratedVoltage', '60', '10'] },
    { row: 'b6', when: ['"basic"', '(250..480]'], then: ['1.2 * (500 + 2 * ratedVoltage)', '1', '10'] },
    { row: 'd1', when: ['"double","reinforced"', '-'], then: ['2500', '1', '-'] },
  ],
  sources: [
    {
      rows: ['b1', 'b2', 'b3', 'b4', 'b5', 'b6', 'd1'],
      document: 'Aldermoor house rule HR-7',
      documentEdition: '2',
      clause: '3.1',
      use: 'routine',
      verification: 'invented',
    },
  ],
})

/** A table of Aldermoor house rules with one source for all its rows, `verified` unless said otherwise. */
export function houseTable(
  parts: Pick<EditionContent, 'inputs' | 'outputs' | 'rows'> & Partial<EditionContent>,
  verification: 'verified' | 'unverified' | 'invented' = 'verified',
): EditionContent {
  return {
    table: 'house',
    edition: 1,
    title: 'House rule',
    ruleSet: 'aldermoor-routine',
    subject: 'electric-strength-ac',
    hitPolicy: 'C',
    sources: [
      {
        rows: parts.rows.map(({ row }) => row),
        document: 'Aldermoor house rule HR-9',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification,
      },
    ],
    ...parts,
  }
}

export function compiled(content: EditionContent): CompiledTable {
  const made = compileTable(EditionContentWire.parse(content))
  if ('refusals' in made) throw new Error(JSON.stringify(made.refusals))
  return made.table
}
