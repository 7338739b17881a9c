/** A CSV file as an edition. Read whole or not at all, and nothing in it is guessed: a line without a word is refused. */
import { CSV_FORM, CSV_MARK, type Head, heads, overrideCells, singles, sourceCells } from './csv-out.ts'
import {
  type CellKind,
  type CsvDecimalMark,
  type CsvLine,
  type CsvSeparator,
  csvDecimalMarks,
  csvSeparators,
  readCsv,
  unguarded,
} from './csv-text.ts'
import { type FileFault, type FileRead, said } from './draft.ts'

/** Stops the reading at the first fault; caught in this file only. */
class Refusal extends Error {
  readonly fault: FileFault
  constructor(fault: FileFault) {
    super(fault.detail)
    this.fault = fault
  }
}

function refuse(code: string, detail: string, line?: CsvLine, column?: number): never {
  const place = column === undefined ? '' : `, column ${column}`
  throw new Refusal({ code, detail: line ? `${detail} (line ${line.line}${place})` : detail })
}

export function readTableCsv(bytes: Uint8Array): FileRead {
  try {
    return readFile(textOf(bytes))
  } catch (error) {
    if (error instanceof Refusal) return { fault: error.fault }
    throw error
  }
}

/** A mark of UTF-8 is taken off; of another encoding nothing can be read. */
function textOf(bytes: Uint8Array): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes)
  } catch (thrown) {
    if (thrown instanceof TypeError) return refuse('csv-encoding', 'The bytes are no text in UTF-8.')
    throw thrown
  }
}

/** What the first line declares, held against what the file is. */
function formOf(text: string): { separator: string; mark: CsvDecimalMark } {
  const sign = [CSV_MARK, `"${CSV_MARK}"`].flatMap((mark) =>
    text.startsWith(mark) ? (text[mark.length] ?? []) : [],
  )[0]
  const names = Object.keys(csvSeparators) as CsvSeparator[]
  const used = names.find((name) => csvSeparators[name] === sign)
  if (!used) {
    const expected = `${CSV_MARK},${CSV_FORM},comma,point`
    return refuse('csv-mark', `The first line must be such as ${expected}: form, separator and decimal mark.`)
  }
  const [first = ''] = text.split(/\r?\n/, 1)
  const [, form, declared, mark] = first.split(csvSeparators[used]).map((cell) => cell.replaceAll('"', '').trim())
  if (form !== CSV_FORM) return refuse('csv-form', `The file has the form '${form}'; only ${CSV_FORM} is read.`)
  if (declared !== used) {
    const detail = `The file says that its separator is '${declared}', but it is separated by ${used}. Where a spreadsheet changed it, say ${used} in its first line and see whether the numbers still have the decimal mark that stands there.`
    return refuse('csv-separator', detail)
  }
  if (mark === undefined || !Object.hasOwn(csvDecimalMarks, mark)) {
    return refuse('csv-decimal-mark', `The first line names '${mark}' as decimal mark; it must be point or comma.`)
  }
  return { separator: csvSeparators[used], mark: mark as CsvDecimalMark }
}

function readFile(text: string): FileRead {
  const { separator, mark } = formOf(text)
  const read = readCsv(text, separator)
  if ('fault' in read) return read
  const [, ...lines] = read.lines
  const words = new Set(['caution', 'applies when', 'override', 'source', 'row', ...Object.keys(singles), ...heads])
  for (const line of lines) {
    const [word = ''] = line.cells
    if (!words.has(word)) refuse('csv-word', `'${word.slice(0, 40)}' is no word that begins a line`, line, 1)
  }
  const reader = new LineReader(lines, mark)
  const kinds = reader.head('column')
  const isInput = kinds.map((kind, index) => {
    if (kind === 'input' || kind === 'output') return kind === 'input'
    return refuse('csv-column', `a column is 'input' or 'output'`, reader.lineOf('column'), index + 3)
  })
  const inputCount = isInput.filter(Boolean).length
  if (isInput.slice(0, inputCount).includes(false)) {
    refuse('csv-column', 'inputs stand before outputs', reader.lineOf('column'))
  }
  const columns = new Map(heads.map((head) => [head, reader.head(head, kinds.length)]))
  const at = (head: Head, index: number) => columns.get(head)?.[index]
  const rows = reader.all('row')
  const content = said({
    ...reader.singles(),
    appliesWhen: reader.conditions(),
    overrides: reader.overrides(),
    inputs: isInput.flatMap((isOne, index) => {
      if (!isOne) return []
      return [
        said({
          attribute: at('name', index),
          type: at('type', index),
          unit: at('unit', index),
          values: at('values', index),
        }),
      ]
    }),
    outputs: isInput.flatMap((isOne, index) => {
      if (isOne) return []
      const [parameter, relation, unit, values] = [
        at('name', index),
        at('relation', index),
        at('unit', index),
        at('values', index),
      ]
      return [said({ parameter, relation, unit, values })]
    }),
    rows: rows.map((line) => {
      const cells = reader.feelCells(line, kinds.length)
      return said({
        row: reader.cell(line, 1, 'text'),
        when: cells.slice(0, inputCount),
        then: cells.slice(inputCount),
      })
    }),
    sources: reader.all('source').map((line) => reader.source(line)),
  })
  const placeOf = (pointer: string): string | undefined => {
    const [, member, index, side, cell] = pointer.split('/')
    const line = member === 'rows' ? rows[Number(index)] : undefined
    if (!line) return undefined
    if (cell === undefined) return `line ${line.line}`
    return `line ${line.line}, column ${3 + Number(cell) + (side === 'then' ? inputCount : 0)}`
  }
  return { draft: { content, missing: [], placeOf } }
}

class LineReader {
  private readonly lines: readonly CsvLine[]
  private readonly mark: CsvDecimalMark

  constructor(lines: readonly CsvLine[], mark: CsvDecimalMark) {
    this.lines = lines
    this.mark = mark
  }

  all(word: string): readonly CsvLine[] {
    return this.lines.filter(({ cells }) => cells[0] === word)
  }

  /** The only line with that word. */
  lineOf(word: string): CsvLine | undefined {
    const [line, further] = this.all(word)
    return further ? refuse('csv-twice', `'${word}' stands in a second line`, further, 1) : line
  }

  /** The text of a cell; undefined where it is empty. */
  cell(line: CsvLine, index: number, kind: CellKind): string | undefined {
    const cell = line.cells[index] ?? ''
    if (cell === '') return undefined
    const read = unguarded(cell, kind, this.mark)
    return 'text' in read ? read.text : refuse(read.code, `the cell ${read.detail}`, line, index + 1)
  }

  /** A line says no more than its cells. */
  ends(line: CsvLine, count: number): void {
    const beyond = line.cells.findIndex((cell, index) => index >= count && cell !== '')
    if (beyond >= 0) refuse('csv-cell', 'the cell belongs to no column', line, beyond + 1)
  }

  singles(): Record<string, unknown> {
    const members = Object.entries(singles).map(([word, member]): [string, unknown] => {
      const line = this.lineOf(word)
      if (!line) return [member, undefined]
      this.ends(line, 2)
      const text = this.cell(line, 1, 'text')
      return [member, member === 'edition' && text !== undefined && /^\d{1,10}$/.test(text) ? Number(text) : text]
    })
    return Object.fromEntries(members)
  }

  conditions(): Record<string, unknown> | undefined {
    const lines = this.all('applies when')
    const conditions = lines.map((line): [string | undefined, string | undefined] => {
      this.ends(line, 3)
      return [this.cell(line, 1, 'text'), this.cell(line, 2, 'feel')]
    })
    const named = conditions.filter(([attribute, cell]) => attribute !== undefined || cell !== undefined)
    for (const [index, [attribute, cell]] of named.entries()) {
      if (attribute === undefined || cell === undefined)
        refuse('csv-cell', 'needs an attribute and its test', lines[index])
      if (named.findIndex(([other]) => other === attribute) < index) {
        refuse('csv-twice', `'${attribute}' stands in a second line`, lines[index], 2)
      }
    }
    return lines.length === 0 ? undefined : Object.fromEntries(named)
  }

  overrides(): Record<string, unknown>[] | undefined {
    const lines = this.all('override')
    if (lines.length === 0) return undefined
    const filled = lines.filter(({ cells }) => cells.some((cell, index) => index > 0 && cell !== ''))
    return filled.map((line) => this.members(line, overrideCells))
  }

  source(line: CsvLine): Record<string, unknown> {
    const { rows, ...rest } = this.members(line, sourceCells)
    return said({
      ...rest,
      rows: typeof rows === 'string' ? rows.split(/[ \n]+/).filter((row) => row !== '') : undefined,
    })
  }

  private members(line: CsvLine, names: readonly string[]): Record<string, unknown> {
    this.ends(line, names.length + 1)
    return said(Object.fromEntries(names.map((name, index) => [name, this.cell(line, index + 1, 'text')])))
  }

  /** The cells of a line above the rows; as many as it has, or as many as there are columns. */
  head(word: Head, count?: number): (string | undefined)[] {
    const line = this.lineOf(word)
    if (!line) return count === undefined ? refuse('csv-column', `there is no line '${word}'`) : []
    if (line.cells[1]) refuse('csv-cell', 'nothing stands here above the keys of the rows', line, 2)
    const last = line.cells.findLastIndex((cell) => cell !== '')
    const length = count ?? Math.max(0, last - 1)
    this.ends(line, length + 2)
    return Array.from({ length }, (_, index) => this.cell(line, index + 2, word === 'values' ? 'feel' : 'text'))
  }

  feelCells(line: CsvLine, count: number): string[] {
    this.ends(line, count + 2)
    return Array.from({ length: count }, (_, index) => {
      const cell = this.cell(line, index + 2, 'feel')
      // Nothing is not `-`: a cell that was cleared by mistake must not test or demand less in silence.
      return (
        cell ?? refuse('csv-empty', 'the cell is empty; write - where nothing is tested or demanded', line, index + 3)
      )
    })
  }
}
