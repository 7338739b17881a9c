import { expect, test } from 'vitest'
import { diffContents } from '../../src/review/diff.ts'
import { largeChanges } from '../../src/review/large-changes.ts'
import { type Changes, plan } from '../plans/aldermoor.ts'

/** Upper limit of the strength step: 3.0 mA. Trip current: 5 mA. Open lead minimum: 0.65 mA. Invented values. */
const paths = (to: Changes, from: Changes = {}) =>
  largeChanges(diffContents(plan(from), plan(to))).map(({ path }) => path)
const upper = (value: string, unit = 'mA', inclusive = true) => ({ '/steps/1/limitUpper': { value, unit, inclusive } })

test.each([
  ['just at 20 per cent up', upper('3.6'), []],
  ['just at 20 per cent down', upper('2.4'), []],
  ['beyond it', upper('3.62'), ['/steps/1/limitUpper/value']],
  ['beyond it, downwards', upper('2.38'), ['/steps/1/limitUpper/value']],
  ['a slip of the decimal point', upper('30'), ['/steps/1/limitUpper/value']],
  ['the same in another unit', upper('3000', 'uA'), []],
  ['far, in another unit', upper('4500', 'uA'), ['/steps/1/limitUpper/value']],
  ['no longer inclusive alone', upper('3.0', 'mA', false), []],
  ['the trip current', { '/steps/1/tripCurrent': { value: '10', unit: 'mA' } }, ['/steps/1/tripCurrent']],
  [
    'the open lead minimum taken away',
    { '/steps/1/openLeadMinimum': undefined, '/steps/1/contactProvenBy': 'bond' },
    ['/steps/1/openLeadMinimum'],
  ],
  ['a voltage is no limit', { '/steps/1/testVoltage/least': '900' }, []],
] as const)('%s', (_, to, expected) => {
  const before = { '/steps/1/limitUpper': { value: '3.0', unit: 'mA', inclusive: true } }
  expect(paths({ ...before, ...to }, before)).toEqual(expected)
})

test('away from zero there is no percentage, and it needs a reason', () => {
  expect(paths(upper('3.0'), upper('0'))).toEqual(['/steps/1/limitUpper/value'])
})

test('a step that is gone took its limits with it', () => {
  const [first, second] = plan().steps
  expect(paths({ '/steps': [first] }, { '/steps': [first, second] })).toEqual(['/steps/1'])
})
