/** How a rule table stands in a CSV file: a word in the first cell of each line says what the line holds. */

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
