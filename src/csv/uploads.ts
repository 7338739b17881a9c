import { readInstant } from '../exact/time.ts'
import type { CsvFault } from './faults.ts'
import { type CsvCell, type CsvRow, readCsvGrid } from './grid.ts'
import { readNumberCell } from './number.ts'
import { type CsvColumn, type CsvProfile, holderOf } from './profile.ts'

/** A file as uploads, one for each row behind the header; or the first fault, and then nothing of the file counts. */
export type CsvRead =
  | {
      readonly ok: true
      readonly uploads: readonly { readonly row: number; readonly upload: CsvProfile['template'] }[]
    }
  | { readonly ok: false; readonly fault: CsvFault }

/**
 * Reads a whole file by a profile. What a cell means is decided by the profile alone; whether the upload is a proper one
 * is for `readUpload` to say, which every upload goes through whatever form it came in.
 */
export function readCsvUploads(bytes: Uint8Array, profile: CsvProfile): CsvRead {
  const grid = readCsvGrid(bytes, { ...profile, lastLineMayBeOpen: profile.lastLineMayBeOpen ?? false })
  if (!grid.ok) return grid
  const [header, ...rows] = grid.rows
  const places = header === undefined ? { fault: HEADERLESS } : placesOf(header, profile)
  if ('fault' in places) return { ok: false, fault: places.fault }
  const uploads = []
  for (const row of rows) {
    const upload = structuredClone(profile.template)
    for (const column of profile.columns) {
      const fault = put(upload, column, row, places.byHeader, profile.decimalMark)
      if (fault !== undefined) return { ok: false, fault }
    }
    uploads.push({ row: row.row, upload })
  }
  return { ok: true, uploads }
}

const HEADERLESS: CsvFault = { code: 'header-missing', row: 1, offset: 0 }

type Places = { readonly byHeader: ReadonlyMap<string, number> } | { readonly fault: CsvFault }

/** Where each header stands. A header must be known, once; a file that lacks a declared one is refused. */
function placesOf({ cells }: CsvRow, { columns, ignored }: CsvProfile): Places {
  const declared = new Set(columns.flatMap((column) => [column.header, ...unitHeaderOf(column)]))
  const known = new Set([...declared, ...(ignored ?? [])])
  const byHeader = new Map<string, number>()
  for (const [index, { text, offset }] of cells.entries()) {
    const at = { row: 1, column: index + 1, offset }
    if (byHeader.has(text)) return { fault: { code: 'header-repeated', ...at } }
    if (!known.has(text)) return { fault: { code: 'column-undeclared', ...at } }
    byHeader.set(text, index)
  }
  const isMissing = [...declared].some((header) => !byHeader.has(header))
  return isMissing ? { fault: { code: 'column-missing', row: 1, offset: cells[0]?.offset ?? 0 } } : { byHeader }
}

function unitHeaderOf(column: CsvColumn): string[] {
  return column.as === 'quantity' && typeof column.unit !== 'string' ? [column.unit.header] : []
}

type Member = CsvProfile['template'][string]
type CellRead = { readonly member: Member } | { readonly refused: CsvFault['code'] }

function put(
  upload: CsvProfile['template'],
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
    return { code: read.refused, row, column: (byHeader.get(column.header) ?? 0) + 1, offset }
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
