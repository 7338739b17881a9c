import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compare, decimal, formatDecimal, parseDecimal } from '../../src/exact/decimal.ts'
import { inUnit, type Quantity, QuantityWire, readQuantity, writeQuantity } from '../../src/exact/quantity.ts'
import { type UnitCode, unitCodes, units } from '../../src/exact/unit-codes.ts'

function quantity(value: string, unit: string, relation?: string): Quantity {
  const read = readQuantity({ value, unit, relation })
  if (!('quantity' in read)) throw new Error(`${value} ${unit}: ${JSON.stringify(read)}`)
  return read.quantity
}

const unitCode = fc.constantFrom(...unitCodes)
const numberText = fc
  .tuple(fc.integer({ min: -999_999_999, max: 999_999_999 }), fc.integer({ min: -12, max: 12 }))
  .map(([digits, exponent]) => `${digits}e${exponent}`)

describe('one quantity, many spellings (trade case T17)', () => {
  test('equal quantities have equal values and keep their own text', () => {
    expect(quantity('1.5', 'kV').value).toStrictEqual(quantity('1500', 'V').value)
    const currents = [
      quantity('0.0023', 'A'),
      quantity('2300', '\u00b5A'),
      quantity('2300', '\u03bcA'),
      quantity('2.3', 'mA'),
    ]
    for (const current of currents) expect(current.value).toStrictEqual(decimal('0.0023'))
    expect(currents.map((current) => current.text)).toEqual(['0.0023', '2300', '2300', '2.3'])
    expect(currents.map((current) => current.unit)).toEqual(['A', 'uA', 'uA', 'mA'])
    expect(quantity('0.1', 'Ohm').value).toStrictEqual(quantity('100', 'mOhm').value)
  })

  test('a number without a unit is refused, never guessed', () => {
    expect(readQuantity({ value: '2.3' })).toEqual({ refused: 'unit-missing', member: 'unit' })
    expect(readQuantity({ value: '2.3', unit: null })).toEqual({ refused: 'unit-missing', member: 'unit' })
  })
})

describe('milliohm and megohm (trade case T18)', () => {
  test('prefixes keep their case', () => {
    const bond = quantity('85', 'm\u03a9')
    const megohm = quantity('85', 'M\u2126')
    expect(formatDecimal(bond.value)).toBe('0.085')
    expect(formatDecimal(megohm.value)).toBe('85000000')
    const limit = quantity('0.1', 'Ohm').value
    expect(compare(bond.value, limit)).toBe(-1)
    expect(compare(megohm.value, limit)).toBe(1)
  })

  test('capitals throughout are ambiguous', () => {
    expect(readQuantity({ value: '85', unit: 'MOHM' })).toEqual({ refused: 'unit-ambiguous', member: 'unit' })
  })
})

describe('reading', () => {
  test('relations, with = as the default', () => {
    expect(quantity('9.99', 'GOhm', '>')).toEqual({
      dimension: 'resistance',
      value: decimal('9990000000'),
      unit: 'GOhm',
      relation: '>',
      text: '9.99',
    })
    expect(quantity('1', 'V').relation).toBe('=')
    expect(readQuantity({ value: '1', unit: 'V', relation: '>=' })).toEqual({
      refused: 'field-invalid',
      member: 'relation',
    })
    expect(readQuantity({ value: '1', unit: 'V', relation: '' })).toEqual({
      refused: 'field-invalid',
      member: 'relation',
    })
  })

  test.each([undefined, null, ''])('the value %j is no reading, whatever the unit', (value) => {
    expect(readQuantity({ value, unit: 'mA' })).toEqual({ noReading: true })
    expect(readQuantity({ value })).toEqual({ noReading: true })
  })

  test.each(['NaN', 'Infinity', '-Infinity', 'nan', 'OL', '>9.99', '1,5', '1 000', '1e99', ' 1', '0x1f', '-'])(
    'the value %j is not a number',
    (value) => {
      expect(readQuantity({ value, unit: 'mA' })).toEqual({ refused: 'not-a-number', member: 'value' })
    },
  )

  test.each([0.1, 5, Number.NaN, true, {}, []])('the value %j is no text', (value) => {
    expect(readQuantity({ value, unit: 'mA' })).toEqual({ refused: 'field-invalid', member: 'value' })
  })

  test.each([null, undefined, 'x', 5, []])('%j is no quantity', (wire) => {
    expect(readQuantity(wire)).toEqual({ refused: 'field-invalid', member: '' })
  })

  test('members of others are left alone', () => {
    expect(
      readQuantity({ quantity: 'current', detector: 'rms', value: '1.74', unit: 'mA', text: '1.74 mA' }),
    ).toHaveProperty('quantity.value', decimal('0.00174'))
  })
})

describe('converting', () => {
  test('every unit and back, exactly', () => {
    fc.assert(
      fc.property(numberText, unitCode, (text, unit) => {
        const number = parseDecimal(text)
        const { value } = quantity(text, unit)
        expect(inUnit(value, unit)).toStrictEqual(number)
        const written = writeQuantity(value, unit)
        expect(quantity(written.value, written.unit).value).toStrictEqual(value)
      }),
      { numRuns: 500 },
    )
  })

  test('comparing agrees in whichever unit the two are written', () => {
    const exact = unitCodes.filter((unit) => unit !== 'min' && unit !== 'h')
    const sameDimension = fc
      .constantFrom(...exact)
      .chain((unit) =>
        fc.tuple(
          fc.constant(unit),
          fc.constantFrom(...exact.filter((other) => units[other].dimension === units[unit].dimension)),
        ),
      )
    fc.assert(
      fc.property(numberText, numberText, sameDimension, (left, right, [one, other]: [UnitCode, UnitCode]) => {
        const a = quantity(left, one).value
        const b = quantity(right, other).value
        expect(compare(inUnit(a, one), inUnit(b, one))).toBe(compare(a, b))
        expect(compare(inUnit(a, other), inUnit(b, other))).toBe(compare(a, b))
      }),
      { numRuns: 500 },
    )
  })

  test('minutes and hours carry 34 digits where they do not come out even', () => {
    expect(formatDecimal(inUnit(decimal(5400), 'h'))).toBe('1.5')
    expect(formatDecimal(inUnit(decimal(1), 'min'))).toBe(`0.01${'6'.repeat(32)}7`)
  })

  test('the default relation is not written', () => {
    expect(writeQuantity(decimal('0.0974'), 'mOhm')).toEqual({ value: '97.4', unit: 'mOhm' })
    expect(writeQuantity(decimal('0.0974'), 'mOhm', '=')).toEqual({ value: '97.4', unit: 'mOhm' })
    expect(writeQuantity(decimal('9990000000'), 'GOhm', '>')).toEqual({ value: '9.99', unit: 'GOhm', relation: '>' })
  })
})

describe('the wire schema', () => {
  test('accepts what can be read', () => {
    expect(QuantityWire.parse({ value: '230', unit: 'V' })).toEqual({ value: '230', unit: 'V' })
    expect(QuantityWire.parse({ value: '1e3', unit: '\u03a9', relation: null })).toEqual({
      value: '1e3',
      unit: '\u03a9',
      relation: null,
    })
  })

  test.each([
    [{ value: 'NaN', unit: 'V' }, ['value'], { refused: 'not-a-number' }],
    [{ value: '', unit: 'V' }, ['value'], { refused: 'not-a-number' }],
    [{ value: '1', unit: 'KV' }, ['unit'], { refused: 'unit-ambiguous' }],
    [{ value: '1', unit: 'bar' }, ['unit'], { refused: 'unit-unknown' }],
    [{ value: '1', unit: '' }, ['unit'], { refused: 'unit-missing' }],
    [{ value: 1, unit: 'V' }, ['value'], undefined],
    [{ value: '1' }, ['unit'], undefined],
    [{ value: '1', unit: 'V', relation: '!' }, ['relation'], undefined],
    [{ value: '1', unit: 'V', text: '1 V' }, [], undefined],
  ])('refuses %j', (wire, path, params) => {
    const issues = QuantityWire.safeParse(wire).error?.issues
    expect(issues).toHaveLength(1)
    expect(issues?.[0]?.path).toEqual(path)
    expect(issues?.[0]?.code === 'custom' ? issues[0].params : undefined).toEqual(params)
  })
})
