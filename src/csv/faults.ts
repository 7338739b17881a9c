/** Why a CSV file is refused, wholly: each code with the sentence for the person who mends the file or the profile. */
export const csvFaultTexts = {
  'bytes-invalid': 'the bytes are no text in the encoding that the profile declares',
  'cell-empty': 'the cell is empty, and the profile does not say that it may be',
  'column-missing': 'the header lacks a column that the profile declares',
  'column-undeclared': 'the profile neither reads nor ignores this column',
  'control-character': 'the cell holds a control character',
  'decimal-mark-wrong': 'the number is written with another decimal mark than the profile declares',
  'encoding-wrong': 'the file is marked as of another encoding than the profile declares',
  'file-cut': 'the request broke off before the file was whole',
  'file-too-long': 'the file is longer than 32 MiB',
  'grouping-mark': 'digits are grouped; grouping is never accepted',
  'header-missing': 'the file has no header',
  'header-repeated': 'two columns have the same header',
  'last-line-open': 'the last line has no line end, so the file may have been cut off',
  'not-a-number': 'the cell holds neither a number nor a text that the profile declares for it',
  'not-an-instant': 'the cell holds no RFC 3339 date and time with offset',
  'profile-missing': 'no profile of the station is in effect that says how its files are to be read',
  'profile-not-current': 'another profile of the station is in effect than the one that the sender names',
  'quote-open': 'the quote is not closed before the line ends',
  'quote-within-cell': 'a quote stands within the cell and is not doubled, or something follows the closing quote',
  'row-ragged': 'the row does not have as many cells as the header',
  'row-too-long': 'the row is longer than 256 KiB',
  'too-many-columns': 'the row has more than 1000 cells',
  'too-many-rows': 'the file has more than 100,000 rows behind its header',
  'word-undeclared': 'the profile has no meaning for this word',
} as const

export type CsvFaultCode = keyof typeof csvFaultTexts

/** `row` and `column` count from 1, the header being row 1; `offset` counts bytes of the file from 0. */
export interface CsvFault {
  readonly code: CsvFaultCode
  readonly row: number
  readonly column?: number
  readonly offset: number
  /** What stands over the column; of a column that is missing the header that should be there. */
  readonly header?: string
}
