import { describe, expect, test } from 'vitest'
import { caseHint, numberHint, unitHint } from '../../src/judging/hints.ts'
import { sentenceOf } from '../../src/judging/sentences.ts'

describe('a number that cannot be read', () => {
  test.each([
    ['+6.12E+01', /plus/],
    ['>99.9', /relation/],
    ['61,2', /decimal point/],
    ['1,234.5', /decimal point/],
    ['.5', /0 before the point/],
    ['-.5', /0 before the point/],
    [' 61.2', /blanks/],
    ['61.2\n', /line ends/],
    ['OL', /relation >/],
    ['NaN', /leave the value out/],
    ['----', /leave the value out/],
    ['9.9E37', /exponent beyond 30.*relation >/],
    ['1'.repeat(31), /30 digits/],
    ['12 mA', /digits/],
  ])('%j is told how it is written', (text, hint) => {
    expect(numberHint(text)).toMatch(hint)
    expect(sentenceOf('not-a-number', { value: text })).toContain(`'${text}'`)
  })
})

describe('a unit that cannot be read', () => {
  test.each([
    ['sec', 's'],
    ['°C', 'Cel'],
    ['Volts', 'V'],
    [' mA', 'mA'],
  ])('%j: perhaps %s', (text, code) => {
    expect(unitHint(text)).toContain(`Perhaps ${code} is meant.`)
  })

  test('lists the units, and shows blanks', () => {
    expect(sentenceOf('unit-unknown', { unit: 'parsec' })).toMatch(/'parsec' is not known\. Units are V mV kV .*Ohm/)
    expect(sentenceOf('unit-unknown', {})).toMatch(/^The unit is not known\./)
  })

  test('wrong in case alone is told every unit it may be', () => {
    expect(caseHint('MOHM')).toBe('Write mOhm or MOhm.')
    expect(caseHint('hz')).toBe('Write Hz.')
    expect(sentenceOf('unit-ambiguous', { unit: 'MOHM' })).toMatch(/'MOHM'.*Write mOhm or MOhm\.$/)
  })
})
