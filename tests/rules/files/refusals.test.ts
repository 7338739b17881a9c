import { describe, expect, test } from 'vitest'
import { readTableCsv } from '../../../src/rules/files/csv-in.ts'
import { writeTableCsv } from '../../../src/rules/files/csv-out.ts'
import { readDmn } from '../../../src/rules/files/dmn-in.ts'
import { writeDmn } from '../../../src/rules/files/dmn-out.ts'
import type { FileRead } from '../../../src/rules/files/draft.ts'
import { extractorStrength } from '../aldermoor-tables.ts'
import { literalXml, modelXml, tableXml } from '../dmn/models.ts'

const bytes = (text: string) => new TextEncoder().encode(text)
const fault = (read: FileRead) => ('fault' in read ? read.fault : 'read')
const draft = (read: FileRead) => {
  if ('fault' in read) throw new Error(JSON.stringify(read.fault))
  return read.draft
}

describe('CSV', () => {
  const good = writeTableCsv(extractorStrength, { separator: 'comma', decimalMark: 'point' })
  const german = writeTableCsv(extractorStrength, { separator: 'semicolon', decimalMark: 'comma' })
  const read = (text: string) => readTableCsv(bytes(text))

  test('is a table that a person can read', () => {
    expect(german.replace('\ufeff', '').split('\r\n').slice(8)).toEqual([
      'applies when;family;"""dust-extractor""";;;;',
      'override;appliance-strength;tripCurrent;filter current of this family;;;',
      "source;routine;invented;Aldermoor house rule HR-7;2;'3.1;b1 b2 b3 b4 b5 b6 d1",
      'column;;input;input;output;output;output',
      'name;;insulation;ratedVoltage;testVoltage;dwell;tripCurrent',
      'type;;string;number;;;',
      'relation;;;;>=;>=;<=',
      'unit;;;V;V;s;mA',
      'values;;"""basic"",""double"",""reinforced""";[24..480];;;',
      'row;b1;"""basic""";[24..150];800;60;10',
      'row;b2;"""basic""";[24..150];960;1;10',
      'row;b3;"""basic""";(150..250];1000;60;10',
      'row;b4;"""basic""";(150..250];1200;1;10',
      'row;b5;"""basic""";(250..480];500 + 2 * ratedVoltage;60;10',
      'row;b6;"""basic""";(250..480];1,2 * (500 + 2 * ratedVoltage);1;10',
      'row;d1;"""double"",""reinforced""";-;2500;1;-',
      '',
    ])
  })

  test('with or without its mark, with LF, empty lines and empty cells at the end', () => {
    const changed = good.replace('\ufeff', '').replaceAll('\r\n', '\n').replaceAll('\nrow,', '\n,,,,,,,\nrow,')
    expect(draft(read(changed)).content).toEqual(draft(read(good)).content)
  })

  test('separator and decimal mark must be as declared', () => {
    expect(fault(read(good.replaceAll(',', ';')))).toMatchObject({ code: 'csv-separator' })
    expect(fault(read(german.replace(';comma', ';point')))).toEqual({
      code: 'csv-decimal-mark',
      detail:
        "the cell has ',' between digits, and the file says it has decimal points, or write a blank behind the comma of a list (line 23, column 5)",
    })
    expect(fault(read(good.replace(',point', ',comma')))).toMatchObject({ code: 'csv-decimal-mark' })
    expect(fault(read(good.replace(',point', ',both')))).toMatchObject({ code: 'csv-decimal-mark' })
    // As a spreadsheet of another land saves it, with the first line mended.
    expect(draft(read(german)).content).toEqual(draft(read(good)).content)
  })

  test('a list of whole numbers is not taken for a decimal number, nor the other way round', () => {
    const cell = (text: string, of = good) => read(of.replace(/(row[,;]d1[,;].*[,;])-([,;]2500)/, `$1${text}$2`))
    const whenOf = (made: FileRead) => (draft(made).content['rows'] as { when: string[] }[]).at(-1)?.when[1]
    expect(fault(cell('"1,5"'))).toMatchObject({ code: 'csv-decimal-mark' })
    expect(whenOf(cell('"1, 5"'))).toBe('1, 5')
    expect(whenOf(cell(`"'1,5"`))).toBe('1,5')
    expect(whenOf(cell('1,5', german))).toBe('1.5')
    expect(whenOf(cell("'1,5", german))).toBe('1,5')
    expect(fault(cell('1.5', german))).toMatchObject({ code: 'csv-decimal-mark' })
    expect(whenOf(cell('[0,5..1,25]', german))).toBe('[0.5..1.25]')
  })

  test.each([
    ['=1+2', 'csv-formula'],
    ['+1', 'csv-formula'],
    ['@SUM(A1)', 'csv-formula'],
    ['-ratedVoltage', 'csv-formula'],
    ['=HYPERLINK(0)', 'csv-formula'],
    ['', 'csv-empty'],
  ])('a cell %s is refused with its place', (text, code) => {
    const made = fault(read(good.replace(',-,2500', `,${text},2500`)))
    expect(made).toMatchObject({ code, detail: expect.stringContaining('(line 24, column 4)') })
  })

  test('a formula in a text goes out as text, and a bare one does not come in', () => {
    const title = '=HYPERLINK("http://127.0.0.1";"limits")'
    const csv = writeTableCsv({ ...extractorStrength, title }, { separator: 'comma', decimalMark: 'point' })
    expect(csv).toContain('title,"\'=HYPERLINK(""http://127.0.0.1"";""limits"")"')
    expect(draft(read(csv)).content).toMatchObject({ title })
    expect(fault(read(csv.replace("'=", '=')))).toMatchObject({ code: 'csv-formula' })
  })

  test.each([
    ['', 'csv-mark'],
    ['table,x\n', 'csv-mark'],
    ['limitkeep:rule-table,2,comma,point\n', 'csv-form'],
    ['limitkeep:rule-table|1|pipe|point\n', 'csv-mark'],
    ['limitkeep:rule-table,1,comma,point\n', 'csv-column'],
    ['limitkeep:rule-table,1,comma,point\nrow,"a\n', 'csv-quote'],
    ['limitkeep:rule-table,1,comma,point\nrow,a"b\n', 'csv-quote'],
    ['limitkeep:rule-table,1,comma,point\nrow,"a"b\n', 'csv-quote'],
    ['limitkeep:rule-table,1,comma,point\nrows,a\n', 'csv-word'],
    ['limitkeep:rule-table,1,comma,point\nrow,\u0000\n', 'csv-control'],
  ])('%j', (text, code) => {
    expect(fault(read(text))).toMatchObject({ code })
  })

  test.each<[string, (csv: string) => string, string]>([
    ['a second title', (csv) => csv.replace('title,', 'title,Again,,,,,\r\ntitle,'), 'csv-twice'],
    [
      'an attribute twice',
      (csv) => csv.replace('applies when,', 'applies when,family,1,,,,\r\napplies when,'),
      'csv-twice',
    ],
    ['a cell beyond the columns', (csv) => csv.replace('2500,1,-', '2500,1,-,9'), 'csv-cell'],
    ['a column that is neither', (csv) => csv.replace('input,output', 'input,result'), 'csv-column'],
    ['an input behind an output', (csv) => csv.replace('input,output', 'output,input'), 'csv-column'],
  ])('%s', (_, change, code) => {
    const changed = change(good)
    expect(changed).not.toBe(good)
    expect(fault(read(changed))).toMatchObject({ code })
  })

  test('other encodings are refused', () => {
    expect(fault(readTableCsv(Uint8Array.from([0xff, 0xfe, 0x6c, 0x00])))).toMatchObject({ code: 'csv-encoding' })
    expect(fault(readTableCsv(Uint8Array.from([0xe4])))).toMatchObject({ code: 'csv-encoding' })
  })

  test('five megabytes are refused or read, and soon', () => {
    const rows = good + 'row,x,-,-,1,1,1\r\n'.repeat(300_000)
    expect(fault(read(rows))).toMatchObject({ code: 'csv-too-large' })
    expect(fault(read(good + ','.repeat(5_000_000)))).toMatchObject({ code: 'csv-too-large' })
    expect(fault(read(`${good}row,"${'x'.repeat(5_000_000)}"`))).toMatchObject({ code: 'csv-too-large' })
    expect(fault(read(`${good}row,"${'"'.repeat(5_000_000)}"`))).toMatchObject({ code: 'csv-too-large' })
  })
})

describe('DMN', () => {
  const target = { table: 'imported', edition: 4 }
  const read = (text: string) => readDmn(bytes(text), target)
  const own = writeDmn(extractorStrength)

  test('document types are refused, and with them external entities and a billion laughs', () => {
    const inner = own.replace('<?xml version="1.0" encoding="UTF-8"?>', '')
    const named = (declared: string) => `<!DOCTYPE definitions [${declared}]>${inner.replace('[24..150]', '&x;')}`
    expect(fault(read(named('<!ENTITY x SYSTEM "file:///etc/hostname">')))).toMatchObject({ code: 'xml-doctype' })
    expect(fault(read(named('<!ENTITY y "z"><!ENTITY x "&y;&y;&y;">')))).toMatchObject({ code: 'xml-doctype' })
  })

  test.each([
    ['<html xmlns="http://www.w3.org/1999/xhtml"/>', 'dmn-missing'],
    ['<definitions xmlns="urn:other"/>', 'dmn-missing'],
    ['<definitions/>', 'dmn-missing'],
    [modelXml({ decisions: { a: { xml: literalXml('1') } } }), 'dmn-table-missing'],
    [own.replace('hitPolicy="COLLECT"', 'hitPolicy="SOME"'), 'dmn-invalid'],
    [own.replace(/<inputEntry>[\s\S]*?<\/inputEntry>/, ''), 'dmn-invalid'],
    [own.replace('<definitions ', '<definitions expressionLanguage="https://www.groovy-lang.org" '), 'dmn-language'],
  ])('%.60s', (text, code) => {
    expect(fault(read(text))).toMatchObject({ code })
  })

  const foreignTable = tableXml({
    policy: 'FIRST',
    inputs: [
      ['ratedVoltage', 'number', '[24..480]'],
      [' family ', 'string'],
    ],
    outputs: [['testVoltage', undefined, '1000'], ['How long']],
    rules: [
      ['<= 150', '', '800', '60'],
      ['-', '"shredder"', 'null', '1'],
    ],
  })
  const foreign = modelXml({
    inputs: { ratedVoltage: 'number', family: 'string' },
    decisions: { 'Strength of mowers': { xml: foreignTable } },
  })

  test('a model made elsewhere is a draft that names what is missing', () => {
    const { content, missing, placeOf } = draft(read(foreign))
    expect(content).toEqual({
      table: 'imported',
      edition: 4,
      title: 'Strength of mowers',
      hitPolicy: 'F',
      inputs: [
        { attribute: 'ratedVoltage', type: 'number', values: '[24..480]' },
        { attribute: 'family', type: 'string' },
      ],
      outputs: [{ parameter: 'testVoltage' }, {}],
      rows: [
        { row: 'r1', when: ['<= 150', '-'], then: ['800', '60'] },
        { row: 'r2', when: ['-', '"shredder"'], then: ['-', '1'] },
      ],
    })
    expect(missing.map(({ pointer, code }) => `${pointer} ${code}`)).toEqual([
      '/outputs/0 default-output',
      '/ruleSet field-missing',
      '/subject field-missing',
      '/sources field-missing',
      '/inputs/0/unit field-missing',
      '/outputs/0/relation field-missing',
      '/outputs/0/unit field-missing',
      '/outputs/1/parameter field-missing',
      '/outputs/1/relation field-missing',
      '/outputs/1/unit field-missing',
    ])
    expect(placeOf('/rows/1/when/0')).toBe('line 1')
  })

  test('of several tables the one named as the rule table is taken; else which one must be said', () => {
    const several = (names: string[]) =>
      modelXml({
        inputs: { ratedVoltage: 'number', family: 'string' },
        decisions: Object.fromEntries(names.map((name) => [name, { xml: foreignTable }])),
      })
    expect(fault(read(several(['a', 'b'])))).toMatchObject({
      code: 'dmn-tables',
      detail: expect.stringContaining('(a, b)'),
    })
    expect(draft(read(several(['a', 'imported']))).content).toMatchObject({ title: 'imported' })
  })

  test('another tool may leave out our elements of one column; what it left out is then not said', () => {
    const stripped = own.replace(/<limitkeep:column parameter="dwell"[^>]*\/>/, '')
    const { outputs } = draft(read(stripped)).content as { outputs: object[] }
    expect(outputs[1]).toEqual({})
  })

  test('an element of ours under another prefix is the same element', () => {
    expect(
      draft(read(own.replaceAll(/(<\/?)limitkeep:/g, '$1x:').replace('xmlns:limitkeep', 'xmlns:x'))).content,
    ).toEqual(draft(read(own)).content)
    expect(draft(read(own.replaceAll('urn:limitkeep:rule-table:1', 'urn:other'))).missing).not.toEqual([])
  })
})
