import { parseDecimal } from '../exact/decimal.ts'

/** The number of a cell with `.` as its mark and every digit as written, or why it is none. Nothing is guessed. */
export type NumberCell =
  | { readonly value: string }
  | { readonly refused: 'decimal-mark-wrong' | 'grouping-mark' | 'not-a-number' }

const OTHER = { '.': ',', ',': '.' } as const
const GROUPED = /^[+-]?\d{1,3}(?:[.,'’ \u00a0\u202f]\d{3})*(?:[.,'’ \u00a0\u202f]\d+)+$/u

/** Reads by the one mark that the profile declares. A leading `+`, as testers print it, is dropped: it says nothing. */
export function readNumberCell(text: string, mark: '.' | ','): NumberCell {
  if (text.includes(OTHER[mark])) {
    return { refused: text.includes(mark) ? 'grouping-mark' : 'decimal-mark-wrong' }
  }
  const value = text.replace(/^\+(?=\d)/, '').replace(mark, '.')
  if (/^[-\d]/.test(value) && parseDecimal(value) !== undefined) return { value }
  return { refused: GROUPED.test(text) ? 'grouping-mark' : 'not-a-number' }
}
