import type { CsvFault } from './faults.ts'

/**
 * Cuts the bytes of a CSV file into rows and cells. The form is RFC 4180, narrowed where it would let a file be read
 * in two ways: every row has as many cells as the header, a quoted cell holds no line break, a lone CR ends nothing,
 * and the last line has its end, since a file cut within its last number would else be read with a shorter number.
 *
 * Rows are cut as bytes and each cell is decoded by itself, so that every fault has its offset in the file. That is
 * sound for the encodings listed: none has a quote, separator or line end as the second byte of a character (those of
 * Shift_JIS begin at 0x40, which is why `|` is no separator). Legacy encodings are as WHATWG defines them.
 */
export const csvEncodings = ['utf-8', 'windows-1252', 'iso-8859-15', 'shift_jis'] as const
export const csvSeparators = [',', ';', '\t'] as const

export interface CsvForm {
  readonly encoding: (typeof csvEncodings)[number]
  readonly separator: (typeof csvSeparators)[number]
  readonly lastLineMayBeOpen: boolean
}

/** One cell: its text, whether it stood in quotes, and the offset of its first byte in the file. */
export interface CsvCell {
  readonly text: string
  readonly offset: number
}

/** `row` is the line of the file, counted from 1; the header is row 1. */
export interface CsvRow {
  readonly row: number
  readonly cells: readonly CsvCell[]
}

/** A file is held whole, because nothing of it counts before all of it has been read. `rows` are those behind the header. */
export const csvLimits = { file: 33_554_432, row: 262_144, columns: 1000, rows: 100_000 } as const

const LF = 10
const CR = 13
const QUOTE = 34
const CONTROL = /\p{Cc}/u

/** The rows of a file one after another, the header first; ends with the first fault in the order of the bytes. */
export function* csvRows(bytes: Uint8Array, form: CsvForm): Generator<CsvRow, CsvFault | undefined, undefined> {
  try {
    yield* new GridReader(bytes, form).rows()
    return undefined
  } catch (thrown) {
    if (thrown instanceof Refused) return thrown.fault
    throw thrown
  }
}

class Refused extends Error {
  readonly fault: CsvFault

  constructor(fault: CsvFault) {
    super(fault.code)
    this.fault = fault
  }
}

class GridReader {
  private readonly bytes: Uint8Array
  private readonly form: CsvForm
  private readonly separator: number
  private readonly decoder: InstanceType<typeof TextDecoder>

  constructor(bytes: Uint8Array, form: CsvForm) {
    this.bytes = bytes
    this.form = form
    this.separator = form.separator.charCodeAt(0)
    this.decoder = new TextDecoder(form.encoding, { fatal: true, ignoreBOM: true })
  }

  *rows(): Generator<CsvRow, void, undefined> {
    const { bytes } = this
    if (bytes.length > csvLimits.file) refuse('file-too-long', 1, undefined, csvLimits.file)
    let row = 0
    let width: number | undefined
    let at = this.afterMark()
    while (at < bytes.length) {
      row += 1
      if (row > csvLimits.rows + 1) refuse('too-many-rows', row, undefined, at)
      const found = bytes.indexOf(LF, at)
      const lineEnd = found < 0 ? bytes.length : found
      if (lineEnd - at > csvLimits.row) refuse('row-too-long', row, undefined, at + csvLimits.row)
      const end = found > at && bytes[found - 1] === CR ? found - 1 : lineEnd
      const cells = this.cells(row, at, end)
      width ??= cells.length
      if (cells.length !== width) refuse('row-ragged', row, Math.min(cells.length, width) + 1, end)
      if (found < 0 && !this.form.lastLineMayBeOpen) refuse('last-line-open', row, cells.length, end)
      yield { row, cells }
      at = lineEnd + 1
    }
    if (row === 0) refuse('header-missing', 1, undefined, 0)
  }

  /** Behind a UTF-8 mark, which is no part of the first header. Other marks say that the file is not as declared. */
  private afterMark(): number {
    const [a, b, c] = this.bytes
    if (a === 0xef && b === 0xbb && c === 0xbf) {
      if (this.form.encoding !== 'utf-8') refuse('encoding-wrong', 1, 1, 0)
      return 3
    }
    if ((a === 0xff && b === 0xfe) || (a === 0xfe && b === 0xff)) refuse('encoding-wrong', 1, 1, 0)
    return 0
  }

  private cells(row: number, start: number, end: number): CsvCell[] {
    const cells: CsvCell[] = []
    let at = start
    for (;;) {
      const column = cells.length + 1
      if (column > csvLimits.columns) refuse('too-many-columns', row, column, at)
      const stop =
        this.bytes[at] === QUOTE && at < end ? this.closing(row, column, at, end) : this.plain(row, column, at, end)
      cells.push({ text: this.text(row, column, at, stop), offset: at })
      if (stop === end) return cells
      at = stop + 1
    }
  }

  private plain(row: number, column: number, start: number, end: number): number {
    let at = start
    while (at < end && this.bytes[at] !== this.separator) {
      if (this.bytes[at] === QUOTE) refuse('quote-within-cell', row, column, at)
      at += 1
    }
    return at
  }

  /** Where the cell ends that opens with a quote at `start`: behind its closing quote. */
  private closing(row: number, column: number, start: number, end: number): number {
    let at = start + 1
    while (at < end) {
      if (this.bytes[at] !== QUOTE) at += 1
      else if (at + 1 < end && this.bytes[at + 1] === QUOTE) at += 2
      else if (at + 1 === end || this.bytes[at + 1] === this.separator) return at + 1
      else refuse('quote-within-cell', row, column, at)
    }
    return refuse('quote-open', row, column, start)
  }

  private text(row: number, column: number, start: number, stop: number): string {
    const isQuoted = this.bytes[start] === QUOTE && start < stop
    const from = isQuoted ? start + 1 : start
    const cell = this.bytes.subarray(from, isQuoted ? stop - 1 : stop)
    const decoded = this.decode(cell)
    if (decoded === undefined) return refuse('bytes-invalid', row, column, from + this.firstInvalid(cell))
    const control = CONTROL.exec(decoded)
    if (control !== null) refuse('control-character', row, column, start)
    return isQuoted ? decoded.replaceAll('""', '"') : decoded
  }

  private decode(cell: Uint8Array): string | undefined {
    try {
      return this.decoder.decode(cell)
    } catch (thrown) {
      if (thrown instanceof TypeError) return undefined
      throw thrown
    }
  }

  /** The byte at which a cell cannot be read on: a longer beginning of it is refused wherever a shorter one is. */
  private firstInvalid(cell: Uint8Array): number {
    let readable = 0
    let refused = cell.length + 1
    while (refused - readable > 1) {
      const middle = Math.floor((readable + refused) / 2)
      if (middle <= cell.length && this.isReadable(cell.subarray(0, middle))) readable = middle
      else refused = middle
    }
    return readable
  }

  private isReadable(beginning: Uint8Array): boolean {
    try {
      new TextDecoder(this.form.encoding, { fatal: true }).decode(beginning, { stream: true })
      return true
    } catch (thrown) {
      if (thrown instanceof TypeError) return false
      throw thrown
    }
  }
}

function refuse(code: CsvFault['code'], row: number, column: number | undefined, offset: number): never {
  throw new Refused(column === undefined ? { code, row, offset } : { code, row, column, offset })
}
