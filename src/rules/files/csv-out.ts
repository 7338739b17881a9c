/** An edition as a CSV file that a spreadsheet shows as a table: all its members above, a line for each row beneath. */
import type { EditionContent } from '../words.ts'
import { CSV_FORM, CSV_MARK, heads, overrideCells, singles, sourceCells } from './csv-form.ts'
import { type CsvDecimalMark, type CsvSeparator, csvSeparators, guarded, writeLine } from './csv-text.ts'
import { CAUTION } from './draft.ts'

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
