import fc from 'fast-check'
import {
  type EditionContent,
  EditionContentWire,
  hitPolicies,
  parameters,
  ruleRelations,
  subjects,
  uses,
  verifications,
} from '../../../src/rules/words.ts'
import { extractorStrength } from '../aldermoor-tables.ts'

/** Texts that spreadsheets, XML or a careless reader would change. */
const nasty = [
  '-',
  '=1+1',
  '+1',
  '-1',
  '-1.50',
  '-ratedVoltage',
  '@SUM(1)',
  "'quoted",
  "''",
  'true',
  'FALSE',
  '1,5',
  '1, 5',
  '[0.75..1.5]',
  '[1,5..2]',
  '0.10',
  '007',
  '1e5',
  '1.5',
  '.5',
  '3-4',
  '3/4',
  'dec1',
  'March 5',
  'décimal 1,5',
  '"1,5", "a;b"',
  '"say \\"1.5\\""',
  'a"b',
  'a;b,c',
  ' padded ',
  '\u00a0',
  '<&>"\'',
  ']]>',
  '<![CDATA[x]]>',
  '&lt;',
  '&#10;',
  '12345678901234567890',
  '1.2.3',
  '絶縁 \u{1F50C}',
  '\u2028',
  '__proto__',
]

/** As content allows: one line, whole characters; and nothing that XML has no way to hold. */
const text = fc
  .oneof(
    { weight: 3, arbitrary: fc.constantFrom(...nasty) },
    { weight: 2, arbitrary: fc.string({ unit: 'grapheme', minLength: 1, maxLength: 12 }) },
    { weight: 2, arbitrary: fc.stringMatching(/^[0-9.,;"'<>=+\-[\]() a]{1,10}$/) },
  )
  .filter((one) => /^[^\p{Cc}\p{Cs}\ufffe\uffff]+$/u.test(one))

/** DMN writes `-` as null, which is nothing that a rule table may demand. */
const cell = text.filter((one) => one !== 'null')
const key = fc.oneof(
  fc.stringMatching(/^[A-Za-z0-9._:-]{1,8}$/),
  fc.constantFrom('3-4', '1', '-', 'dec1', '007', 'b.1:x'),
)
const optional = <Value>(of: fc.Arbitrary<Value>) => fc.option(of, { nil: undefined })

const attributes = ['family', 'product', 'ratedVoltage', 'insulation', 'protectionClass'] as const

/** Content as its schema allows it, whether it compiles or not: whatever is stored must come back. */
export const anyContent: fc.Arbitrary<EditionContent> = fc
  .record({ inputCount: fc.integer({ min: 0, max: 3 }), outputCount: fc.integer({ min: 1, max: 3 }) })
  .chain(({ inputCount, outputCount }) => {
    const cells = (count: number) => fc.array(cell, { minLength: count, maxLength: count })
    const input = fc.record({
      attribute: fc.constantFrom(...attributes),
      type: fc.constantFrom('string', 'number', 'boolean'),
      unit: optional(fc.constantFrom('V', 's', '%', '1')),
      values: optional(cell),
    })
    const output = fc.record({
      parameter: fc.constantFrom(...parameters),
      relation: fc.constantFrom(...ruleRelations),
      unit: optional(fc.constantFrom('V', 's', 'mA')),
      values: optional(cell),
    })
    const source = fc.record({
      rows: fc.array(key, { minLength: 1, maxLength: 3 }),
      document: text,
      documentEdition: text,
      clause: text,
      use: fc.constantFrom(...uses),
      verification: fc.constantFrom(...verifications),
    })
    return fc.record({
      table: key,
      edition: fc.integer({ min: 1, max: 2_147_483_647 }),
      title: text,
      ruleSet: key,
      subject: fc.constantFrom(...subjects),
      appliesWhen: optional(
        fc
          .uniqueArray(fc.tuple(fc.constantFrom(...attributes), cell), { maxLength: 3, selector: ([name]) => name })
          .map((all) => Object.fromEntries(all)),
      ),
      hitPolicy: fc.constantFrom(...hitPolicies),
      overrides: optional(
        fc.array(fc.record({ table: key, parameter: fc.constantFrom(...parameters), reason: text }), { maxLength: 2 }),
      ),
      inputs: fc.array(input, { minLength: inputCount, maxLength: inputCount }),
      outputs: fc.array(output, { minLength: outputCount, maxLength: outputCount }),
      rows: fc.array(fc.record({ row: key, when: cells(inputCount), then: cells(outputCount) }), {
        minLength: 1,
        maxLength: 4,
      }),
      sources: fc.array(source, { minLength: 1, maxLength: 3 }),
    })
  })
  .map((content) => EditionContentWire.parse(content))

/** A table with conditions, kinds, a range and a flag, in the house's own words. */
export const everyNature: EditionContent = EditionContentWire.parse({
  ...extractorStrength,
  hitPolicy: 'P',
  outputs: [
    { parameter: 'testVoltage', relation: '>=', unit: 'V', values: '1500, 1000' },
    { parameter: 'frequency', relation: 'in', unit: 'Hz' },
    { parameter: 'limitInRamp', relation: '=', values: 'true, false' },
    { parameter: 'precedes', relation: 'in' },
  ],
  rows: [
    {
      row: 'b1',
      when: ['"basic"', '[24..150]'],
      then: ['1000', '[45..65]', 'true', '"inspection","protective-bonding"'],
    },
    { row: 'b2', when: ['-', '-'], then: ['1500', '[0.9 * 50..55]', '-', '-'] },
  ],
  sources: [{ ...extractorStrength.sources[0], rows: ['b1', 'b2'] }],
})
