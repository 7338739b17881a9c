import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import { type AcceptedValue, compareRelative, leastRelative, writeComparison } from '../../src/rules/demand.ts'
import type { EditionContent, Subject } from '../../src/rules/words.ts'
import { houseTable } from './aldermoor-tables.ts'
import { brief, exactly, noInputs, outcomes } from './outcomes.ts'

describe('relations', () => {
  const asking = (output: EditionContent['outputs'][number], cell: string, subject: Subject = 'electric-strength-ac') =>
    houseTable({ ...noInputs, subject, outputs: [output], rows: [{ row: 'r', when: [], then: [cell] }] })
  const frequency = (cell: string) => asking({ parameter: 'frequency', relation: 'in', unit: 'Hz' }, cell)
  const window = (least?: string, most?: string): AcceptedValue => ({
    ...(least !== undefined && { least: decimal(least) }),
    ...(most !== undefined && { most: decimal(most) }),
  })
  const notMet = 'requirement-not-met'
  test.each<[cell: string, AcceptedValue, code: string | undefined]>([
    ['[45..65]', window('45', '65'), undefined],
    ['[45..65]', window('44.999', '65'), notMet],
    ['[45..65]', window('45', '65.001'), notMet],
    ['(45..65)', window('45', '65'), notMet],
    ['(45..65]', window('45', '65'), notMet],
    ['[45..65)', window('45', '65'), notMet],
    ['[45..65)', window('50', '64.999'), undefined],
    ['(45..65)', window('46', '65'), notMet],
    ['[45..65]', window('45'), 'parameter-unbounded'],
    ['[45..65]', window(undefined, '65'), 'parameter-unbounded'],
    ['[45..65]', { flag: true }, notMet],
  ])('in %s, case %#', (cell, accepted, code) => {
    const [outcome] = outcomes([frequency(cell)], { frequency: accepted })
    expect(outcome && 'comparisons' in outcome && outcome.comparisons[0]?.code).toBe(code)
  })

  test.each<['>=' | '<=' | '=', AcceptedValue, code: string | undefined]>([
    ['>=', window('5'), undefined],
    ['>=', window('4.999'), notMet],
    ['>=', window(undefined, '9'), 'parameter-unbounded'],
    ['<=', window(undefined, '5'), undefined],
    ['<=', window(undefined, '5.001'), notMet],
    ['<=', window('1'), 'parameter-unbounded'],
    ['=', exactly('5'), undefined],
    ['=', window('5', '5.001'), notMet],
    ['=', window('4.999', '5'), notMet],
    ['=', window('5'), 'parameter-unbounded'],
  ])('%s, case %#', (relation, accepted, code) => {
    const table = asking({ parameter: 'dwell', relation, unit: 's' }, '5')
    const [outcome] = outcomes([table], { dwell: accepted })
    expect(outcome && 'comparisons' in outcome && outcome.comparisons[0]?.code).toBe(code)
  })

  test('a flag must be as demanded; of the kinds listed one must be present', () => {
    const flag = asking({ parameter: 'limitInRamp', relation: '=' }, 'true')
    expect(brief(outcomes([flag], { limitInRamp: { flag: true } })[0])).toBe('met by r')
    expect(brief(outcomes([flag], { limitInRamp: { flag: false } })[0])).toMatch('blocking')
    const present = asking(
      { parameter: 'stepPresent', relation: 'in' },
      '"electric-strength-ac","electric-strength-dc"',
      'plan',
    )
    const having = (kinds: AcceptedValue) => brief(outcomes([present], { stepPresent: kinds }, { subject: 'plan' })[0])
    expect(having({ kinds: ['touch-current', 'electric-strength-dc'] })).toBe('met by r')
    expect(having({ kinds: ['touch-current'] })).toBe('blocking r: stepPresent requirement-not-met')
  })

  test('units differ, numbers do not', () => {
    const table = asking({ parameter: 'tripCurrent', relation: '<=', unit: 'mA' }, '5')
    const [outcome] = outcomes([table], { tripCurrent: exactly('0.0051') })
    const [comparison] = outcome && 'comparisons' in outcome ? outcome.comparisons : []
    expect(comparison && writeComparison(comparison)).toMatchObject({
      demanded: { value: '5', unit: 'mA' },
      accepted: { least: '5.1', most: '5.1', unit: 'mA' },
      margin: { value: '-0.1', unit: 'mA' },
    })
  })
})

test('relative margins are compared as fractions; a base of zero is beyond all others', () => {
  const of = (margin: string, base: string) => ({ margin: decimal(margin), base: decimal(base) })
  expect(compareRelative(of('1', '3'), of('2', '6'))).toBe(0)
  expect(compareRelative(of('1', '3'), of('0.3333333333333333333333333333', '1'))).toBe(1)
  expect(compareRelative(of('-1', '0'), of('-1000000', '1'))).toBe(-1)
  expect(compareRelative(of('1', '0'), of('1000000', '1'))).toBe(1)
  expect(leastRelative([of('5', '10'), undefined, of('4', '10')])).toEqual(of('4', '10'))
  expect(leastRelative([undefined])).toBeUndefined()
})
