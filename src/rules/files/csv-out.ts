/**
 * An edition as a CSV file that a spreadsheet shows as a table: all its members above, a line for each row beneath. A word
 * in the first cell of each line says what the line holds.
 */
import type { EditionContent } from '../words.ts'
import { type CsvDecimalMark, type CsvSeparator, csvSeparators, guarded, writeLine } from './csv-text.ts'
import { CAUTION } from './draft.ts'

/** The first cell of a file, and the number of its form. Permanent; another form gets another number. */
export const CSV_MARK = 'limitkeep:rule-table'
export const CSV_FORM = '1'

/** Lines that stand once and hold one text. */
export const singles = {
  table: 'table',
  edition: 'edition',
  title: 'title',
  'rule set': 'ruleSet',
  subject: 'subject',
  'hit policy': 'hitPolicy',
} as const

/** Members of a source and of an override in the order of their cells. */
export const sourceCells = ['use', 'verification', 'document', 'documentEdition', 'clause', 'rows'] as const
export const overrideCells = ['table', 'parameter', 'reason'] as const

/** Lines above the rows, with a cell for each column of the table; behind the word an empty cell, where rows have a key. */
export const heads = ['column', 'name', 'type', 'relation', 'unit', 'values'] as const
export type Head = (typeof heads)[number]

export interface CsvForm {
  readonly separator: CsvSeparator
  readonly decimalMark: CsvDecimalMark
}

/** In UTF-8 with its mark, without which spreadsheets take the file for another encoding. */
export function writeTableCsv(content: EditionContent, form: CsvForm): string {
  const { appliesWhen, overrides, inputs, outputs, rows, sources } = content
  const text = (value: unknown) =>
    value === null || value === undefined ? '' : guarded(`${value}`, 'text', form.decimalMark)
  const feel = (cell: string | null | undefined) => (cell ? guarded(cell, 'feel', form.decimalMark) : '')
  const conditions = Object.entries(appliesWhen ?? {}).filter(([, cell]) => cell !== null && cell !== undefined)
  const columns = {
    column: [...inputs.map(() => 'input'), ...outputs.map(() => 'output')],
    name: [...inputs.map(({ attribute }) => text(attribute)), ...outputs.map(({ parameter }) => text(parameter))],
    type: inputs.map(({ type }) => type),
    relation: [...inputs.map(() => ''), ...outputs.map(({ relation }) => text(relation))],
    unit: [...inputs, ...outputs].map(({ unit }) => text(unit)),
    values: [...inputs, ...outputs].map(({ values }) => feel(values)),
  }
  const lines: string[][] = [
    [CSV_MARK, CSV_FORM, form.separator, form.decimalMark],
    ['caution', CAUTION],
    ...Object.entries(singles).map(([word, member]) => [word, text(content[member])]),
    // An empty list is not an absent one: their digests differ.
    ...(appliesWhen && conditions.length === 0 ? [['applies when']] : []),
    ...conditions.map(([attribute, cell]) => ['applies when', text(attribute), feel(cell)]),
    ...(overrides?.length === 0 ? [['override']] : []),
    ...(overrides ?? []).map((override) => ['override', ...overrideCells.map((member) => text(override[member]))]),
    ...sources.map((source) => [
      'source',
      ...sourceCells.map((member) => text(member === 'rows' ? source.rows.join(' ') : source[member])),
    ]),
    ...heads.map((head) => [head, '', ...columns[head]]),
    ...rows.map(({ row, when, then }) => ['row', text(row), ...[...when, ...then].map(feel)]),
  ]
  const width = Math.max(...lines.map(({ length }) => length))
  const padded = lines.map((cells) => [...cells, ...Array.from({ length: width - cells.length }, () => '')])
  return `\ufeff${padded.map((cells) => writeLine(cells, csvSeparators[form.separator])).join('')}`
}
