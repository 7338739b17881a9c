import { describe, expect, test } from 'vitest'
import { formatDecimal } from '../../src/exact/decimal.ts'
import { dimensions, readUnit, unitCodes, units } from '../../src/exact/unit-codes.ts'

describe('units', () => {
  test('the codes are those of the design, each with one dimension and a factor above zero', () => {
    expect([...unitCodes].join(' ')).toBe(
      'V mV kV A mA uA Ohm mOhm kOhm MOhm GOhm s ms min h Hz nF pF W kW V.A V/s m Cel % 1',
    )
    expect(Object.keys(units).sort()).toEqual([...unitCodes].sort())
    expect(new Set(unitCodes.map((code) => units[code].dimension))).toEqual(new Set(dimensions))
  })

  test('the factors are the SI prefixes, sixty and 3600 seconds, and a hundredth', () => {
    const written = unitCodes.map((code) => `${code}=${formatDecimal(units[code].factor)}`)
    expect(written).toEqual([
      'V=1',
      'mV=0.001',
      'kV=1000',
      'A=1',
      'mA=0.001',
      'uA=0.000001',
      'Ohm=1',
      'mOhm=0.001',
      'kOhm=1000',
      'MOhm=1000000',
      'GOhm=1000000000',
      's=1',
      'ms=0.001',
      'min=60',
      'h=3600',
      'Hz=1',
      'nF=0.000000001',
      'pF=0.000000000001',
      'W=1',
      'kW=1000',
      'V.A=1',
      'V/s=1',
      'm=1',
      'Cel=1',
      '%=0.01',
      '1=1',
    ])
  })

  test.each(unitCodes)('%s is itself', (code) => {
    expect(readUnit(code)).toBe(code)
  })

  test.each([
    ['\u00b5A', 'uA'],
    ['\u03bcA', 'uA'],
    ['\u2126', 'Ohm'],
    ['\u03a9', 'Ohm'],
    ['ohm', 'Ohm'],
    ['m\u2126', 'mOhm'],
    ['m\u03a9', 'mOhm'],
    ['mohm', 'mOhm'],
    ['M\u2126', 'MOhm'],
    ['M\u03a9', 'MOhm'],
    ['Mohm', 'MOhm'],
    ['k\u03a9', 'kOhm'],
    ['G\u03a9', 'GOhm'],
    ['VA', 'V.A'],
  ])('%s means %s', (text, code) => {
    expect(readUnit(text)).toBe(code)
  })

  test.each([
    'MOHM',
    'mOHM',
    'OHM',
    'KV',
    'kv',
    'MA',
    'ma',
    'HZ',
    'hz',
    'v',
    'a',
    'S',
    'H',
    'M',
    'MS',
    'CEL',
    'va',
    'UA',
    'KW',
    'NF',
    'g\u03a9',
  ])('%s is right in everything but case and so ambiguous', (text) => {
    expect(readUnit(text)).toEqual({ refused: 'unit-ambiguous' })
  })

  test.each([
    ' V',
    'V ',
    'm V',
    'volt',
    'uF',
    'kV/s',
    'Ohms',
    'C',
    'constructor',
    '__proto__',
    'x'.repeat(100_000),
    7,
    true,
    {},
    ['V'],
  ])('%j is no unit', (text) => {
    expect(readUnit(text)).toEqual({ refused: 'unit-unknown' })
  })

  test.each([undefined, null, ''])('%j is a missing unit', (text) => {
    expect(readUnit(text)).toEqual({ refused: 'unit-missing' })
  })
})
