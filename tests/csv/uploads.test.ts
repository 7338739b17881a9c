import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { CsvFault } from '../../src/csv/faults.ts'
import { type CsvForm, type CsvRow, csvLimits, csvRows } from '../../src/csv/grid.ts'
import { readNumberCell } from '../../src/csv/number.ts'
import { CsvProfileWire } from '../../src/csv/profile.ts'
import { readCsvUploads } from '../../src/csv/uploads.ts'
import { readUpload } from '../../src/intake/read-upload.ts'
import { bytesOf, example } from '../intake/example.ts'

const form: CsvForm = { encoding: 'utf-8', separator: ',', lastLineMayBeOpen: false }

function gridOf(bytes: Uint8Array, changed: Partial<CsvForm> = {}): { rows: CsvRow[]; fault: CsvFault | undefined } {
  const rows: CsvRow[] = []
  const read = csvRows(bytes, { ...form, ...changed })
  for (;;) {
    const next = read.next()
    if (next.done === true) return { rows, fault: next.value }
    rows.push(next.value)
  }
}

function textsOf(bytes: Uint8Array, changed: Partial<CsvForm> = {}): string[][] {
  const { rows, fault } = gridOf(bytes, changed)
  if (fault !== undefined) throw new Error(fault.code)
  return rows.map(({ cells }) => cells.map(({ text }) => text))
}

describe('a number is read by the declared mark, and never guessed', () => {
  test.each([
    ['0,482', ',', { value: '0.482' }],
    ['0.4820', '.', { value: '0.4820' }],
    ['+1.23E-03', '.', { value: '1.23E-03' }],
    ['-7', ',', { value: '-7' }],
    ['0,482', '.', { refused: 'decimal-mark-wrong' }],
    ['1,234', '.', { refused: 'decimal-mark-wrong' }],
    ['1.234,5', ',', { refused: 'grouping-mark' }],
    ['1 234', '.', { refused: 'grouping-mark' }],
    ["1'234.5", '.', { refused: 'grouping-mark' }],
    ['1.234.567', '.', { refused: 'grouping-mark' }],
    ['=1+1', '.', { refused: 'not-a-number' }],
    ['+-1', '.', { refused: 'not-a-number' }],
    ['NaN', '.', { refused: 'not-a-number' }],
    [' 1', '.', { refused: 'not-a-number' }],
  ] as const)('%s with %s', (text, mark, read) => {
    expect(readNumberCell(text, mark)).toEqual(read)
  })
})

describe('a grid', () => {
  test('loses the mark of UTF-8 and no column', () => {
    const bytes = Buffer.from('EFBBBF73657269616C2C6C65616B', 'hex')
    expect(textsOf(bytes, { lastLineMayBeOpen: true })).toEqual([['serial', 'leak']])
  })

  test('reads a legacy encoding where it is declared', () => {
    expect(textsOf(Buffer.from('73C90D0A3235B5410D0A', 'hex'), { encoding: 'windows-1252' })).toEqual([
      ['sÉ'],
      ['25µA'],
    ])
    expect(textsOf(Buffer.from('955C2C835C0A', 'hex'), { encoding: 'shift_jis' })).toEqual([['表', 'ソ']])
  })

  const hostile: [string, Uint8Array, object][] = [
    [
      'a byte that is not UTF-8',
      Buffer.from('73657269616C2C6C65616B0A412D312C323530B541', 'hex'),
      { code: 'bytes-invalid', row: 2, column: 2, offset: 19 },
    ],
    ['a character cut off', Buffer.from('C30A', 'hex'), { code: 'bytes-invalid', row: 1, column: 1, offset: 1 }],
    ['UTF-16', Buffer.from('\ufeffa,b\n', 'utf16le'), { code: 'encoding-wrong', row: 1, column: 1, offset: 0 }],
    [
      'UTF-16 without a mark',
      Buffer.from('a,b\n', 'utf16le'),
      { code: 'control-character', row: 1, column: 1, offset: 0 },
    ],
    ['a lone CR', Buffer.from('a,b\r1,2\r'), { code: 'control-character', row: 1, column: 2, offset: 2 }],
    ['a ragged row', Buffer.from('a,b\n1,2,3\n'), { code: 'row-ragged', row: 2, column: 3, offset: 9 }],
    ['an end within a row', Buffer.from('a,b\n1,2'), { code: 'last-line-open', row: 2, column: 2, offset: 7 }],
    ['an open quote', Buffer.from('a,b\n1,"2\n'), { code: 'quote-open', row: 2, column: 2, offset: 6 }],
    ['a quote within', Buffer.from('a,b\n1,2"\n'), { code: 'quote-within-cell', row: 2, column: 2, offset: 7 }],
    ['no bytes', Buffer.from(''), { code: 'header-missing', row: 1, offset: 0 }],
    [
      'too many columns',
      Buffer.from(`${','.repeat(100_000)}\n`),
      { code: 'too-many-columns', row: 1, column: 1001, offset: 1000 },
    ],
    [
      'rows without end',
      Buffer.from('a\n'.repeat(csvLimits.rows + 2)),
      { code: 'too-many-rows', row: csvLimits.rows + 2, offset: 2 * (csvLimits.rows + 1) },
    ],
    [
      'more than 32 MiB',
      Buffer.alloc(csvLimits.file + 1, 'a'),
      { code: 'file-too-long', row: 1, offset: csvLimits.file },
    ],
    ['a line of 10 MB', Buffer.alloc(10_000_000, 'a'), { code: 'row-too-long', row: 1, offset: csvLimits.row }],
  ]
  test.each(hostile)('is refused for %s', (_, bytes, fault) => {
    expect(gridOf(bytes).fault).toEqual(fault)
  })

  test('written and read again is the same', () => {
    const cell = fc.string({ unit: 'grapheme' }).filter((text) => !/\p{Cc}|\p{Cs}/u.test(text))
    const grids = fc
      .integer({ min: 1, max: 6 })
      .chain((width) => fc.array(fc.array(cell, { minLength: width, maxLength: width }), { minLength: 1 }))
    fc.assert(
      fc.property(grids, fc.constantFrom(',' as const, ';' as const, '\t' as const), (grid, separator) => {
        const quoted = grid.map((row) => row.map((text) => `"${text.replaceAll('"', '""')}"`).join(separator))
        expect(textsOf(Buffer.from(`${quoted.join('\r\n')}\r\n`), { separator })).toEqual(grid)
      }),
    )
  })
})

const profile = CsvProfileWire.parse({
  encoding: 'utf-8',
  separator: ';',
  decimalMark: ',',
  template: {
    station: 'LDS-F2',
    steps: [{ step: 'insulation', measurements: [{ reading: { quantity: 'resistance' } }] }],
  },
  columns: [
    { header: 'serial', at: '/serial', as: 'text' },
    { header: 'start', at: '/startedAt', as: 'instant' },
    { header: 'count', at: '/sequenceNumber', as: 'count' },
    { header: 'result', at: '/stationVerdict', as: 'word', words: { OK: 'pass', NG: 'fail' } },
    {
      header: 'R',
      at: '/steps/0/measurements/0/reading',
      as: 'quantity',
      unit: { header: 'R unit' },
      overloads: { OL: { relation: '>', value: '9.99', unit: 'GOhm' } },
      mayBeEmpty: true,
    },
  ],
  ignored: ['note'],
})
const HEADER = 'serial;note;start;count;result;R;R unit\n'
const read = (rows: string, header = HEADER) => readCsvUploads(Buffer.from(header + rows), profile)
const upload = (serial: string, reading: object) => ({
  station: 'LDS-F2',
  steps: [{ step: 'insulation', measurements: [{ reading: { quantity: 'resistance', ...reading } }] }],
  serial,
  startedAt: '2026-03-16T09:14:05+09:00',
  sequenceNumber: 7,
  stationVerdict: 'pass',
})

describe('a file by a profile', () => {
  const rest = '2026-03-16T09:14:05+09:00;7;OK'

  test('is one upload for each row, digits as written', () => {
    expect(read(`007;=1+1;${rest};1,50;MOhm\nA;;${rest};OL;\nB;;${rest};;\n`)).toEqual({
      ok: true,
      uploads: [
        { row: 2, upload: upload('007', { value: '1.50', unit: 'MOhm' }) },
        { row: 3, upload: upload('A', { relation: '>', value: '9.99', unit: 'GOhm' }) },
        { row: 4, upload: upload('B', {}) },
      ],
    })
  })

  test.each([
    [
      'a wrong mark in the last row',
      `A;;${rest};1,5;MOhm\nB;;${rest};1.5;MOhm\n`,
      { code: 'decimal-mark-wrong', row: 3, column: 6, header: 'R' },
    ],
    [
      'a word of nobody',
      `A;;2026-03-16T09:14:05Z;7;constructor;1,5;MOhm\n`,
      { code: 'word-undeclared', row: 2, column: 5 },
    ],
    ['a time without offset', `A;;2026-03-16T09:14:05;7;OK;1,5;MOhm\n`, { code: 'not-an-instant', row: 2, column: 3 }],
    ['an empty serial', `;;${rest};1,5;MOhm\n`, { code: 'cell-empty', row: 2, column: 1 }],
  ])('is refused whole for %s', (_, rows, fault) => {
    expect(read(rows)).toMatchObject({ ok: false, fault })
  })

  test.each([
    ['column-missing', 'serial;start\n', { header: 'count', offset: 0 }],
    ['header-repeated', 'serial;serial\n', { header: 'serial', column: 2, offset: 7 }],
    ['column-undeclared', `x;${HEADER}`, { header: 'x', column: 1, offset: 0 }],
    ['column-undeclared', `${'€'.repeat(300)};\n`, { header: '€'.repeat(200), column: 1, offset: 0 }],
  ])('is refused for its header: %s', (code, header, place) => {
    expect(read('', header)).toEqual({ ok: false, fault: { code, row: 1, ...place } })
  })

  test('names the header over a byte that is no text', () => {
    const file = Buffer.concat([Buffer.from(`${HEADER}A;;`), Buffer.from([0xb5, 10])])
    expect(readCsvUploads(file, profile)).toEqual({
      ok: false,
      fault: { code: 'bytes-invalid', row: 2, column: 3, header: 'start', offset: HEADER.length + 3 },
    })
  })

  test.each([
    [{ decimalMark: ';' }],
    [{ decimalMark: undefined }],
    [{ separator: ',' }],
    [{ columns: [{ header: 'a', at: '/steps/1/step', as: 'text' }] }],
    [
      {
        columns: [
          { header: 'a', at: '/a', as: 'text' },
          { header: 'b', at: '/a', as: 'text' },
        ],
      },
    ],
  ])('is not read by a profile that could be meant in two ways: %j', (changed) => {
    expect(CsvProfileWire.safeParse({ ...profile, ...changed }).success).toBe(false)
  })

  test('is the upload that a station would have sent, to the digest', () => {
    const sent = example()
    const template = example((wire) => {
      delete wire.serial
      delete wire.steps[0].measurements[0].reading.value
      delete wire.steps[0].measurements[0].reading.unit
    })
    const columns = [
      { header: 'serial', at: '/serial', as: 'text' },
      { header: 'bond', at: '/steps/0/measurements/0/reading', as: 'quantity', unit: 'mOhm' },
    ]
    const file = Buffer.from('serial;bond\nEX36-26-004417;118,4\n')
    const csv = readCsvUploads(
      file,
      CsvProfileWire.parse({ encoding: 'utf-8', separator: ';', decimalMark: ',', template, columns }),
    )
    const uploads = csv.ok ? csv.uploads : []
    expect(uploads.map(({ upload }) => readUpload(bytesOf(upload)))).toEqual([readUpload(bytesOf(sent))])
    expect(readUpload(bytesOf(sent)).kind).toBe('read')
  })
})
