import { readInstant } from '../exact/time.ts'
import type { CsvFault, CsvFaultCode } from './faults.ts'
import { type CsvCell, type CsvRow, csvRows } from './grid.ts'
import { readNumberCell } from './number.ts'
import { type CsvColumn, type CsvProfile, HEADER_MAX, holderOf } from './profile.ts'

type UploadMembers = CsvProfile['template']

/** One row as the upload that a station would have sent. */
export interface CsvUpload {
  readonly row: number
  readonly upload: UploadMembers
}

/**
 * The uploads of a file by a profile, one for each row behind the header; ends with the first fault, and then nothing of
 * the file counts, whatever came before. What a cell means is decided by the profile alone; whether the upload is a
 * proper one is for `readUpload` to say, which every upload goes through whatever form it came in.
 */
export function* csvUploads(
  bytes: Uint8Array,
  profile: CsvProfile,
): Generator<CsvUpload, CsvFault | undefined, undefined> {
  const rows = csvRows(bytes, { ...profile, lastLineMayBeOpen: profile.lastLineMayBeOpen ?? false })
  const first = rows.next()
  if (first.done === true) return first.value
  const header = first.value
  const places = placesOf(header, profile)
  if ('fault' in places) return places.fault
  for (;;) {
    const next = rows.next()
    if (next.done === true) return withHeader(next.value, header)
    const upload = structuredClone(profile.template)
    for (const column of profile.columns) {
      const fault = put(upload, column, next.value, places.byHeader, profile.decimalMark)
      if (fault !== undefined) return fault
    }
    yield { row: next.value.row, upload }
  }
}

/** A whole file as uploads, or its first fault. */
export type CsvRead =
  | { readonly ok: true; readonly uploads: readonly CsvUpload[] }
  | { readonly ok: false; readonly fault: CsvFault }

/** The same, all of it at once. */
export function readCsvUploads(bytes: Uint8Array, profile: CsvProfile): CsvRead {
  const uploads: CsvUpload[] = []
  const read = csvUploads(bytes, profile)
  for (;;) {
    const next = read.next()
    if (next.done === true) return next.value === undefined ? { ok: true, uploads } : { ok: false, fault: next.value }
    uploads.push(next.value)
  }
}

/** A fault of the bytes, with the header of its column. */
function withHeader(fault: CsvFault | undefined, { cells }: CsvRow): CsvFault | undefined {
  const header = fault?.column === undefined ? undefined : cells[fault.column - 1]?.text
  return fault === undefined || header === undefined ? fault : { ...fault, header: shortened(header) }
}

/** A header as a fault shows it: a profile declares none that is longer. */
function shortened(header: string): string {
  return [...header].slice(0, HEADER_MAX).join('')
}

type Places = { readonly byHeader: ReadonlyMap<string, number> } | { readonly fault: CsvFault }

/** Where each header stands. A header must be known, once; a file that lacks a declared one is refused. */
function placesOf({ cells }: CsvRow, { columns, ignored }: CsvProfile): Places {
  const declared = new Set(columns.flatMap((column) => [column.header, ...unitHeaderOf(column)]))
  const known = new Set([...declared, ...(ignored ?? [])])
  const byHeader = new Map<string, number>()
  for (const [index, { text, offset }] of cells.entries()) {
    const at = { row: 1, column: index + 1, offset, header: shortened(text) }
    if (byHeader.has(text)) return { fault: { code: 'header-repeated', ...at } }
    if (!known.has(text)) return { fault: { code: 'column-undeclared', ...at } }
    byHeader.set(text, index)
  }
  const missing = [...declared].find((header) => !byHeader.has(header))
  if (missing === undefined) return { byHeader }
  return { fault: { code: 'column-missing', row: 1, offset: cells[0]?.offset ?? 0, header: missing } }
}

function unitHeaderOf(column: CsvColumn): string[] {
  return column.as === 'quantity' && typeof column.unit !== 'string' ? [column.unit.header] : []
}

type Member = UploadMembers[string]
type CellRead = { readonly member: Member } | { readonly refused: CsvFaultCode }

function put(
  upload: UploadMembers,
  column: CsvColumn,
  { row, cells }: CsvRow,
  byHeader: ReadonlyMap<string, number>,
  mark: '.' | ',',
): CsvFault | undefined {
  const cellUnder = (header: string): CsvCell => {
    const cell = cells[byHeader.get(header) ?? -1]
    if (cell === undefined) throw new Error(`the header ${header} was found, and row ${row} has no such cell`)
    return cell
  }
  const { text, offset } = cellUnder(column.header)
  // An empty cell says nothing: its member is left out, which for a number is no reading and never zero.
  if (text === '' && column.mayBeEmpty === true) return undefined
  const unit = unitHeaderOf(column).map((header) => cellUnder(header).text)[0]
  const place = holderOf(upload, column.at)
  if (place === undefined) throw new Error(`the template holds no object for ${column.at}`)
  const read: CellRead = text === '' ? { refused: 'cell-empty' } : readCell(text, column, mark, unit)
  if ('refused' in read) {
    const { header } = column
    return { code: read.refused, row, column: (byHeader.get(header) ?? 0) + 1, offset, header }
  }
  const { holder, member } = place
  const before = holder[member]
  holder[member] = isObject(before) && isObject(read.member) ? { ...before, ...read.member } : read.member
  return undefined
}

function isObject(value: Member | undefined): value is { [member: string]: Member } {
  return typeof value === 'object' && value !== null && !Array.isArray(value)
}

function readCell(text: string, column: CsvColumn, mark: '.' | ',', unitCell: string | undefined): CellRead {
  switch (column.as) {
    case 'text':
      return { member: text }
    case 'word': {
      const word = Object.hasOwn(column.words, text) ? column.words[text] : undefined
      return word === undefined ? { refused: 'word-undeclared' } : { member: word }
    }
    case 'count':
      return /^(?:0|[1-9]\d{0,14})$/.test(text) ? { member: Number(text) } : { refused: 'not-a-number' }
    case 'instant':
      return 'refused' in readInstant(text) ? { refused: 'not-an-instant' } : { member: text }
    case 'quantity': {
      const { overloads = {} } = column
      const overload = Object.hasOwn(overloads, text) ? overloads[text] : undefined
      if (overload !== undefined) return { member: { ...overload } }
      const number = readNumberCell(text, mark)
      if ('refused' in number) return number
      return { member: { value: number.value, unit: typeof column.unit === 'string' ? column.unit : (unitCell ?? '') } }
    }
  }
}
