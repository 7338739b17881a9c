import { describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { ApprovalWire, WithdrawalWire } from '../../src/plans/act-words.ts'
import { type AnySettings, limitText, PlanContentWire, settingsOf, unitCode } from '../../src/plans/words.ts'
import { planWire, productWire } from '../support/aldermoor.ts'
import { type Changes, changed, plan, stepNamed } from './aldermoor.ts'

function pointers(wire: unknown): string[] {
  const read = PlanContentWire.safeParse(wire)
  return read.success ? [] : read.error.issues.map(({ path }) => `/${path.join('/')}`)
}

const limitUpperOf = (settings: AnySettings | undefined) => settings?.limitUpper

describe('content of a revision', () => {
  test('is read, and its digest and its product are the published test vector', () => {
    expect(pointers(planWire)).toEqual([])
    expect(digestOf(canonicalText(planWire))).toBe(
      'sha256:65660e8c91185bc1ed66f88071e84179a8916dad8a1f52b98abc5486bb722884',
    )
    expect(digestOf(canonicalText(productWire))).toBe(planWire.productDigest)
  })

  test.each<[string, Changes, string]>([
    ['settings in an inspection', { '/steps/0/kind': 'inspection' }, '/steps/0'],
    ['a kind that is no word', { '/steps/0/kind': 'bond' }, '/steps/0/kind'],
    ['no kind', { '/steps/0/kind': undefined }, '/steps/0/kind'],
    ['a decision rule that is no word', { '/decisionRule/kind': 'strict' }, '/decisionRule/kind'],
    [
      'a guard band of another dimension',
      { '/steps/0/guardBand': { value: '1', unit: 'mA' } },
      '/steps/0/guardBand/unit',
    ],
    ['rounding', { '/rounding/kind': 'half-even' }, '/rounding/kind'],
    ['evidence from nowhere', { '/evidenceFrom': 'runs' }, '/evidenceFrom'],
    ['a corrected basis', { '/steps/2/basis': 'corrected' }, '/steps/2/basis'],
    ['an unknown member', { '/steps/1/colour': 'red' }, '/steps/1'],
    ['an unknown member of a measurement', { '/steps/1/measurements/0/colour': 'red' }, '/steps/1/measurements/0'],
    ['a setting of another kind', { '/steps/0/frequency': {} }, '/steps/0'],
    ['no test voltage', { '/steps/1/testVoltage': undefined }, '/steps/1/testVoltage'],
    ['no frequency of an a.c. step', { '/steps/1/frequency': undefined }, '/steps/1/frequency'],
    ['no network', { '/steps/3/network': undefined }, '/steps/3/network'],
    ['no supply condition', { '/steps/3/measurements/1/polarity': undefined }, '/steps/3/measurements/1/polarity'],
    ['no connection', { '/steps/1/measurements/0/to': undefined }, '/steps/1/measurements/0/to'],
    ['a unit of another dimension', { '/steps/1/dwell/unit': 'V' }, '/steps/1/dwell/unit'],
    ['a unit in the wrong case', { '/steps/2/limitLower/unit': 'MOHM' }, '/steps/2/limitLower/unit'],
    ['a number that is none', { '/steps/1/dwell/least': 'one' }, '/steps/1/dwell/least'],
    ['a number by a double', { '/steps/1/dwell/least': 1.5 }, '/steps/1/dwell/least'],
    ['a fractional revision', { '/revision': 1.5 }, '/revision'],
    ['no steps', { '/steps': [] }, '/steps'],
    ['a key with a blank', { '/steps/0/step': 'b ond' }, '/steps/0/step'],
    ['an attempt count of zero', { '/attemptsWithoutCauseMax': 0 }, '/attemptsWithoutCauseMax'],
  ])('refuses %s', (_, change, pointer) => {
    expect(pointers(changed(planWire, change))).toContain(pointer)
  })

  test('absent and null are the same', () => {
    expect(pointers(changed(planWire, { '/steps/1/rampDown': null }))).toEqual([])
    expect(pointers(changed(planWire, { '/sites': undefined }))).toEqual([])
  })

  test('takes the other spellings of a unit', () => {
    const read = plan({ '/steps/0/limitUpper/unit': 'm\u2126' })
    expect(unitCode(limitUpperOf(read.steps[0])?.unit ?? '')).toBe('mOhm')
    expect(() => unitCode('furlong')).toThrow(TypeError)
  })
})

describe('settings of a measurement', () => {
  test('are those of the step unless it says otherwise', () => {
    const content = plan({
      '/steps/0/measurements/1/limitUpper': { value: '300', unit: 'mOhm', inclusive: false },
      '/steps/0/measurements/1/dwell': null,
    })
    const [housing, collar] = settingsOf(stepNamed(content, 'bond'))
    expect(limitUpperOf(housing)?.byVariant).toEqual({ 'EX36-3M': '158.5', 'EX36-5M': '197.5' })
    expect(limitUpperOf(collar)).toEqual({ value: '300', unit: 'mOhm', inclusive: false })
    expect(collar).toMatchObject({
      dwell: { set: '2.0' },
      measurement: 'hose-collar',
      step: 'bond',
      to: ['hose-collar'],
    })
    expect(collar).not.toHaveProperty('measurements')
  })

  test('a limit is found by variant, and never by a name that every object has', () => {
    const limit = { byVariant: { a: '1' }, unit: 'mA', inclusive: true }
    expect(limitText(limit, 'a')).toBe('1')
    expect(limitText(limit, 'constructor')).toBeUndefined()
    expect(limitText({ value: '2', unit: 'mA', inclusive: true }, 'a')).toBe('2')
  })
})

describe('requests', () => {
  test('an approval names digest, instant and meaning', () => {
    const approval = { digest: planWire.productDigest, inForceFrom: 'at-once', meaning: 'released' }
    expect(ApprovalWire.safeParse(approval).success).toBe(true)
    for (const member of ['digest', 'inForceFrom', 'meaning'] as const) {
      expect(ApprovalWire.safeParse({ ...approval, [member]: undefined }).success).toBe(false)
    }
    expect(ApprovalWire.safeParse({ ...approval, inForceFrom: '2026-03-16T09:00:00' }).success).toBe(false)
  })

  test('a withdrawal says a reason, and may say an instant with its offset', () => {
    const reason = 'wrong limit'
    for (const from of [undefined, null, 'at-once', '2026-03-16T09:00:00Z']) {
      expect(WithdrawalWire.safeParse({ reason, from }).success).toBe(true)
    }
    expect(WithdrawalWire.safeParse({ reason, from: '2026-03-16T09:00:00' }).success).toBe(false)
    expect(WithdrawalWire.safeParse({ from: 'at-once' }).success).toBe(false)
  })
})
