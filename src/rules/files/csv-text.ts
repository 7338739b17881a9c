/**
 * CSV as spreadsheets read and write it (RFC 4180): lines of cells, and what a cell's text must be so that a spreadsheet
 * leaves it alone. A spreadsheet runs a cell that begins like a formula, and rewrites what it takes for a number, a date
 * or a truth value; such text gets an apostrophe before it, which is taken off again when the file is read.
 */
import { formatDecimal, parseDecimal } from '../../exact/decimal.ts'
import type { FileFault } from './draft.ts'

export const csvSeparators = { comma: ',', semicolon: ';', tab: '\t' } as const
export type CsvSeparator = keyof typeof csvSeparators
export const csvDecimalMarks = { point: '.', comma: ',' } as const
export type CsvDecimalMark = keyof typeof csvDecimalMarks

export interface CsvLine {
  /** From 1; a cell in quotes may go over several lines of the file. */
  readonly line: number
  readonly cells: readonly string[]
}

export type CsvRead = { readonly lines: readonly CsvLine[] } | { readonly fault: FileFault }

/** More than any rule table has. */
const limits = { lines: 5_000, cells: 200, cell: 40_000 } as const

/** Cuts a text into lines of cells; lines without any text are left out, as spreadsheets add them. */
export function readCsv(text: string, separator: string): CsvRead {
  const lines: CsvLine[] = []
  let at = 0
  let line = 1
  const fault = (code: string, column: number, detail: string) => ({
    fault: { code, detail: `${detail} (line ${line}, column ${column})` },
  })
  while (at < text.length) {
    const begins = line
    const cells: string[] = []
    for (;;) {
      if (cells.length >= limits.cells)
        return fault('csv-too-large', cells.length, `has more than ${limits.cells} cells`)
      const cell = cellAt(text, at, separator)
      if ('code' in cell) return fault(cell.code, cells.length + 1, cell.detail)
      if (cell.text.length > limits.cell) {
        return fault('csv-too-large', cells.length + 1, `has more than ${limits.cell} characters`)
      }
      if (/[^\P{Cc}\n\r\t]/u.test(cell.text)) return fault('csv-control', cells.length + 1, 'holds a control character')
      cells.push(cell.text)
      line += cell.text.split('\n').length - 1
      at = cell.end
      if (text[at] !== separator) break
      at += 1
    }
    at += text.startsWith('\r\n', at) ? 2 : 1
    if (cells.some((cell) => cell !== '')) lines.push({ line: begins, cells })
    if (lines.length > limits.lines) return fault('csv-too-large', 1, `has more than ${limits.lines} lines`)
    line += 1
  }
  return { lines }
}

type Cell = { readonly text: string; readonly end: number } | { readonly code: string; readonly detail: string }

/** The cell that begins at an offset, and where it ends: at a separator, at the end of a line, or of the text. */
function cellAt(text: string, start: number, separator: string): Cell {
  if (text[start] !== '"') {
    let end = start
    for (; end < text.length; end += 1) {
      const sign = text[end]
      if (sign === separator || sign === '\n' || (sign === '\r' && text[end + 1] === '\n')) break
      if (sign === '"') return { code: 'csv-quote', detail: 'holds a quote, but does not begin with one' }
    }
    return { text: text.slice(start, end), end }
  }
  let at = start + 1
  for (;;) {
    const quote = text.indexOf('"', at)
    if (quote < 0) return { code: 'csv-quote', detail: 'opens a quote that nothing closes' }
    if (text[quote + 1] === '"') at = quote + 2
    else {
      const end = quote + 1
      const after = text[end]
      const ends = after === undefined || after === separator || after === '\n' || text.startsWith('\r\n', end)
      if (!ends) return { code: 'csv-quote', detail: 'goes on behind its closing quote' }
      return { text: text.slice(start + 1, quote).replaceAll('""', '"'), end }
    }
  }
}

/** One line, with the line end that RFC 4180 asks for. */
export function writeLine(cells: readonly string[], separator: string): string {
  const written = cells.map((cell) =>
    /["\n\r]|^\s|\s$/.test(cell) || cell.includes(separator) ? `"${cell.replaceAll('"', '""')}"` : cell,
  )
  return `${written.join(separator)}\r\n`
}

/** What a cell holds: text for people, or FEEL, whose numbers have the file's decimal mark. */
export type CellKind = 'text' | 'feel'

/** The cell's text as it stands in the file. */
export function guarded(text: string, kind: CellKind, mark: CsvDecimalMark): string {
  if (kind === 'feel' && holdsBetweenDigits(text, ',')) return `'${text}`
  const isPlain = isPlainNumber(text) && (kind === 'feel' || !text.includes('.'))
  if (!isPlain && isRewritten(text)) return `'${text}`
  return kind === 'feel' && mark === 'comma' ? exchanged(text, '.', ',') : text
}

/** A number that a spreadsheet shows and saves as it is. */
function isPlainNumber(text: string): boolean {
  const value = /^-?\d+(?:\.\d+)?$/.test(text) && text.length <= 15 ? parseDecimal(text) : undefined
  return value !== undefined && formatDecimal(value) === text
}

const FORMULA = /^[=+@'\t\r]|^-./
const NUMBER_OR_DATE = /^[\d.,:/ eE+%-]*\d[\d.,:/ eE+%-]*$/
const TRUTH = /^(?:true|false)$/i
/** A month's name and a number are taken for a date. */
const MONTH = /^(?=.*\d)(?:\d+[-/ .]*)?(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-/ .]*\d*$/i

function isRewritten(text: string): boolean {
  return FORMULA.test(text) || NUMBER_OR_DATE.test(text) || TRUTH.test(text) || MONTH.test(text)
}

/** The text that a cell of the file stands for, or why it cannot be told. */
export function unguarded(
  cell: string,
  kind: CellKind,
  mark: CsvDecimalMark,
): { readonly text: string } | { readonly code: string; readonly detail: string } {
  if (cell.startsWith("'")) return { text: cell.slice(1) }
  const isNumber = /^-[\d.,]+$/.test(cell)
  if (FORMULA.test(cell) && !isNumber) {
    return { code: 'csv-formula', detail: 'begins like a formula; write an apostrophe before it if it is text' }
  }
  if (kind === 'text') return { text: cell }
  const other = mark === 'comma' ? '.' : ','
  if (holdsBetweenDigits(cell, other)) {
    const written = mark === 'comma' ? 'decimal commas' : 'decimal points'
    const hint = mark === 'comma' ? '' : ', or write a blank behind the comma of a list'
    return {
      code: 'csv-decimal-mark',
      detail: `has '${other}' between digits, and the file says it has ${written}${hint}`,
    }
  }
  return { text: mark === 'comma' ? exchanged(cell, ',', '.') : cell }
}

/** Pieces of a FEEL text: string literals, which are left alone, at odd places. */
function pieces(text: string): string[] {
  return text.split(/("(?:[^"\\]|\\.)*"?)/)
}

function holdsBetweenDigits(text: string, sign: ',' | '.'): boolean {
  const between = sign === ',' ? /\d,\d/ : /\d\.\d/
  return pieces(text).some((piece, index) => index % 2 === 0 && between.test(piece))
}

function exchanged(text: string, from: ',' | '.', to: ',' | '.'): string {
  const between = from === ',' ? /(?<=\d),(?=\d)/g : /(?<=\d)\.(?=\d)/g
  return pieces(text)
    .map((piece, index) => (index % 2 === 0 ? piece.replaceAll(between, to) : piece))
    .join('')
}
