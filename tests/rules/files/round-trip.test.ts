import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { canonicalText } from '../../../src/exact/canonical.ts'
import { readJson } from '../../../src/exact/json.ts'
import { compileTable } from '../../../src/rules/compile-table.ts'
import { readTableCsv } from '../../../src/rules/files/csv-in.ts'
import { type CsvForm, writeTableCsv } from '../../../src/rules/files/csv-out.ts'
import { csvDecimalMarks, csvSeparators } from '../../../src/rules/files/csv-text.ts'
import { readDmn } from '../../../src/rules/files/dmn-in.ts'
import { writeDmn } from '../../../src/rules/files/dmn-out.ts'
import type { FileRead } from '../../../src/rules/files/draft.ts'
import { type EditionContent, EditionContentWire } from '../../../src/rules/words.ts'
import { extractorStrength } from '../aldermoor-tables.ts'
import { anyContent, everyNature } from './contents.ts'

const bytes = (text: string) => new TextEncoder().encode(text)

/** The content that a file was read as; throws with what was refused or is missing. */
function contentOf(read: FileRead): EditionContent {
  if ('fault' in read) throw new Error(JSON.stringify(read.fault))
  expect(read.draft.missing).toEqual([])
  return EditionContentWire.parse(read.draft.content)
}

const throughDmn = (content: EditionContent) =>
  contentOf(readDmn(bytes(writeDmn(content)), { table: 'other', edition: 9 }))
const throughCsv = (content: EditionContent, form: CsvForm) =>
  contentOf(readTableCsv(bytes(writeTableCsv(content, form))))

const forms = (Object.keys(csvSeparators) as CsvForm['separator'][]).flatMap((separator) =>
  (Object.keys(csvDecimalMarks) as CsvForm['decimalMark'][]).map((decimalMark) => ({ separator, decimalMark })),
)

describe('content comes back as it was, to the digest', () => {
  test('from DMN', () => {
    fc.assert(
      fc.property(anyContent, (content) => {
        expect(canonicalText(throughDmn(content))).toBe(canonicalText(content))
      }),
      { numRuns: 400 },
    )
  })

  test.each(forms)('from CSV, $separator and $decimalMark', (form) => {
    fc.assert(
      fc.property(anyContent, (content) => {
        expect(canonicalText(throughCsv(content, form))).toBe(canonicalText(content))
      }),
      { numRuns: 300 },
    )
  })

  test('from JSON', () => {
    fc.assert(
      fc.property(anyContent, (content) => {
        const read = readJson(bytes(canonicalText(content)))
        if (!read.ok) throw new Error(read.message)
        expect(canonicalText(EditionContentWire.parse(read.value))).toBe(canonicalText(content))
      }),
      { numRuns: 300 },
    )
  })

  test('the house tables compile, and do so when they come back', () => {
    for (const content of [extractorStrength, everyNature]) {
      expect(compileTable(content)).toHaveProperty('table')
      expect(throughDmn(content)).toEqual(content)
      for (const form of forms) expect(throughCsv(content, form)).toEqual(content)
    }
  })
})

/** What a spreadsheet does to a cell that it takes for a number: it saves the number, not the text. */
function asSpreadsheet(csv: string): string {
  const lines = csv.replace('\ufeff', '').trimEnd().split('\r\n')
  const resaved = lines.map((line) => {
    const cells = [...line.matchAll(/(?:^|,)(?:"((?:[^"]|"")*)"|([^,]*))/g)].map(
      ([, quoted, plain]) => quoted?.replaceAll('""', '"') ?? plain ?? '',
    )
    return cells.map((cell) => {
      expect(cell).not.toMatch(/^[=+@\t\r]/)
      const number = /^-?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$/.test(cell) ? String(Number(cell)) : cell
      const truth = /^(?:true|false)$/i.test(number) ? number.toUpperCase() : number
      return /[",\n]/.test(truth) ? `"${truth.replaceAll('"', '""')}"` : truth
    })
  })
  return resaved.map((cells) => cells.join(',')).join('\n')
}

test('a spreadsheet that only opens and saves the file changes nothing, and no cell is a formula', () => {
  fc.assert(
    fc.property(anyContent, (content) => {
      const csv = writeTableCsv(content, { separator: 'comma', decimalMark: 'point' })
      expect(canonicalText(contentOf(readTableCsv(bytes(asSpreadsheet(csv)))))).toBe(canonicalText(content))
    }),
    { numRuns: 300 },
  )
})
