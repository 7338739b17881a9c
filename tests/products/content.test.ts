import { describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { formatDecimal } from '../../src/exact/decimal.ts'
import { productAttributes } from '../../src/products/attributes.ts'
import { checkProductContent, terminalsOf } from '../../src/products/content.ts'
import { attributeValues, variantNames, versionInEffect } from '../../src/products/versions.ts'
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import { ex36 } from '../support/aldermoor.ts'

type Attributes = ProductContent['attributes']

const withAttributes = (attributes: Partial<Attributes>): ProductContent => {
  const content = ex36()
  return { ...content, attributes: { ...content.attributes, ...attributes } }
}

const pointers = (content: ProductContent) => checkProductContent(content).map(({ pointer }) => pointer)

describe('product content', () => {
  test('the worked example is sound, and has the published digest', () => {
    const content = ProductContentWire.parse(ex36())
    expect(checkProductContent(content)).toEqual([])
    // Source: the worked example of the wire contract, which prints this digest as a test vector.
    expect(digestOf(canonicalText(content))).toBe(
      'sha256:7dd40f48b2abdfc712001cf6c39bf1489583bb0e2ffce362d6df7a2e602d5e9d',
    )
  })

  test('null members mean absent and do not change the digest', () => {
    const content = { ...ex36(), family: 'dust-extractor', attributes: { ...ex36().attributes, cordLength: null } }
    expect(digestOf(canonicalText(ProductContentWire.parse(content)))).toBe(digestOf(canonicalText(ex36())))
  })

  test('every attribute of the vocabulary can be written, on the product and on a variant', () => {
    const shape = ProductContentWire.shape.attributes.shape
    for (const name of Object.keys(productAttributes)) expect(Object.keys(shape)).toContain(name)
    expect(Object.keys(shape).length).toBe(Object.keys(productAttributes).length + 2)
  })

  test.each<[string, unknown, string]>([
    ['unknown attribute', { attributes: { ...ex36().attributes, colour: 'red' } }, 'attributes'],
    ['unknown member', { serialrule: {} }, ''],
    [
      'protection class as a number',
      { attributes: { ...ex36().attributes, protectionClass: 1 } },
      'attributes.protectionClass',
    ],
    ['two phases', { attributes: { ...ex36().attributes, phases: 2 } }, 'attributes.phases'],
    [
      'a rating as a plain number',
      { attributes: { ...ex36().attributes, ratedVoltage: 230 } },
      'attributes.ratedVoltage',
    ],
    [
      'a rating that is no number',
      { attributes: { ...ex36().attributes, ratedVoltage: { value: 'NaN', unit: 'V' } } },
      'attributes.ratedVoltage.value',
    ],
    ['no rule set', { ruleSets: [] }, 'ruleSets'],
    ['no operation', { operationsRequired: [] }, 'operationsRequired'],
    ['version zero', { version: 0 }, 'version'],
    ['a version that the database does not hold', { version: 2_147_483_648 }, 'version'],
    ['a key with SQL in it', { product: "EX36'; DROP TABLE" }, 'product'],
    ['a name with half a character', { name: 'EX\ud800' }, 'name'],
  ])('%s is refused by the schema', (_, change, path) => {
    const read = ProductContentWire.safeParse({ ...ex36(), ...(change as object) })
    expect(read.success).toBe(false)
    expect(read.error?.issues.map((issue) => issue.path.join('.'))).toContain(path)
  })

  test('a quantity of another dimension, a bound, a negative or unknown unit is refused at its member', () => {
    expect(pointers(withAttributes({ ratedVoltage: { value: '230', unit: 'A' } }))).toEqual([
      '/attributes/ratedVoltage/unit',
    ])
    expect(pointers(withAttributes({ ratedCurrent: { value: '5', unit: 'a' } }))).toEqual([
      '/attributes/ratedCurrent/unit',
    ])
    expect(pointers(withAttributes({ ratedPower: { value: '1', unit: 'kW', relation: '<' } }))).toEqual([
      '/attributes/ratedPower/relation',
    ])
    expect(pointers(withAttributes({ ratedVoltage: { value: '-230', unit: 'V' } }))).toEqual([
      '/attributes/ratedVoltage/value',
    ])
    expect(pointers(withAttributes({ ratedVoltage: { value: '0', unit: 'V' } }))).toEqual([
      '/attributes/ratedVoltage/value',
    ])
    expect(pointers(withAttributes({ capacitanceTolerance: { value: '100.1', unit: '%' } }))).toEqual([
      '/attributes/capacitanceTolerance/value',
    ])
    expect(pointers(withAttributes({ capacitanceTolerance: { value: '100', unit: '%' } }))).toEqual([])
  })

  test('a variant is held to the same', () => {
    const variants = [
      { variant: 'a', attributes: { earthCoreResistance: { value: '1', unit: 'V' } } },
      { variant: 'b', attributes: { ratedVoltage: { value: '0', unit: 'V' } } },
      { variant: 'a' },
    ]
    expect(pointers({ ...ex36(), variants })).toEqual([
      '/variants/0/attributes/earthCoreResistance/unit',
      '/variants/1/attributes/ratedVoltage/value',
      '/variants/2/variant',
    ])
  })

  test('classes 0I and I need earthed parts, of the product itself or for one of its variants', () => {
    for (const protectionClass of ['I', '0I'] as const) {
      expect(pointers(withAttributes({ protectionClass, earthedParts: null }))).toEqual(['/attributes/earthedParts'])
      expect(pointers(withAttributes({ protectionClass, earthedParts: [] }))).toEqual(['/attributes/earthedParts'])
    }
    const second = withAttributes({ protectionClass: 'II', earthedParts: null })
    expect(pointers({ ...second, variants: [{ variant: 'metal', attributes: { protectionClass: 'I' } }] })).toEqual([
      '/variants/0/attributes/protectionClass',
    ])
    const both = withAttributes({ protectionClass: 'II' })
    expect(pointers({ ...both, variants: [{ variant: 'metal', attributes: { protectionClass: 'I' } }] })).toEqual([])
  })

  test('earthed parts of a class without protective earth need a functional earth', () => {
    expect(pointers(withAttributes({ protectionClass: 'II' }))).toEqual(['/attributes/earthedParts'])
    expect(pointers(withAttributes({ protectionClass: 'II', functionalEarth: true }))).toEqual([])
    expect(pointers(withAttributes({ protectionClass: 'II', earthedParts: null }))).toEqual([])
  })

  test('parts and insulations name what there is, once', () => {
    expect(pointers(withAttributes({ earthedParts: ['motor-housing', 'live', 'motor-housing'] }))).toEqual([
      '/attributes/earthedParts/2',
      '/attributes/earthedParts/1',
    ])
    const insulations: Attributes['insulations'] = [
      { between: ['live', 'protective-conductor'], insulation: 'basic' },
      { between: ['protective-conductor', 'live'], insulation: 'double' },
      { between: ['live', 'chassis'], insulation: 'basic' },
      { between: ['live', 'live'], insulation: 'basic' },
    ]
    expect(pointers(withAttributes({ insulations }))).toEqual([
      '/attributes/insulations/1/between',
      '/attributes/insulations/2/between/1',
      '/attributes/insulations/3/between',
    ])
    expect(terminalsOf(ex36()).has('hose-collar')).toBe(true)
    expect(terminalsOf(ex36()).has('chassis')).toBe(false)
  })

  test('rule sets and operations are named once, and the serial pattern says where it is wrong', () => {
    const content = { ...ex36(), ruleSets: ['a', 'a'], operationsRequired: ['final', 'final'] }
    expect(pointers({ ...content, serialRule: { pattern: '^A*$', letters: 'upper', trim: true } })).toEqual([
      '/serialRule/pattern',
      '/ruleSets/1',
      '/operationsRequired/1',
    ])
  })
})

describe('attributes as rules see them', () => {
  test('a variant replaces those of its product; numbers are in canonical units', () => {
    const values = attributeValues(ex36(), 'EX36-5M')
    const number = (name: string) => {
      const value = values.get(name)
      return typeof value === 'object' ? formatDecimal(value) : value
    }
    expect(number('earthCoreResistance')).toBe('0.0975')
    expect(number('liveToEarthCapacitance')).toBe('0.0000000044')
    expect(number('ratedPower')).toBe('1200')
    expect(number('capacitanceTolerance')).toBe('0.2')
    expect(number('phases')).toBe('1')
    expect(values.get('protectionClass')).toBe('I')
    expect(values.get('functionalEarth')).toBe(false)
    expect([values.get('product'), values.get('variant'), values.get('family')]).toEqual([
      'EX36',
      'EX36-5M',
      'dust-extractor',
    ])
    expect(values.has('insulations')).toBe(false)
    expect(values.has('cordLength')).toBe(false)
  })

  test('a product without variants has the one named nothing', () => {
    const { variants: _, family: __, ...plain } = ex36()
    expect(variantNames(plain)).toEqual([''])
    expect(variantNames({ ...plain, variants: [] })).toEqual([''])
    expect(attributeValues(plain, '').get('family')).toBe('')
    expect(variantNames(ex36())).toEqual(['EX36-3M', 'EX36-5M'])
    expect(() => attributeValues(ex36(), '')).toThrow(RangeError)
    expect(() => attributeValues(ex36(), 'EX36-9M')).toThrow(RangeError)
  })
})

describe('version in effect', () => {
  const version = (version: number, effectiveFrom: number, rulesVersion: number) => ({
    version,
    effectiveFrom,
    rulesVersion,
  })
  const versions = [version(1, 1000, 1), version(3, 5000, 4), version(2, 3000, 6), version(4, 5000, 5)]
  const at = (instant: number, known = 9) => versionInEffect(versions, instant, known)?.version

  test('begins at its instant, inclusive', () => {
    expect([at(999), at(1000), at(2999), at(3000), at(4999), at(5000)]).toEqual([undefined, 1, 1, 2, 2, 4])
  })

  test('of two at one instant the one confirmed later counts, and what was confirmed later is not known before', () => {
    expect([at(5000, 4), at(5000, 5), at(3000, 5), at(3000, 6), at(1000, 0)]).toEqual([3, 4, 1, 2, undefined])
  })
})
