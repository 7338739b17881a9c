import { describe, expect, test } from 'vitest'
import type { PermitContent } from '../../src/plans/permit-words.ts'
import { checkPermit, relaxationOf, relaxedContent } from '../../src/plans/relax.ts'
import { limitText, type PlanContent, PlanContentWire, settingsOf } from '../../src/plans/words.ts'
import { planWire } from '../support/aldermoor.ts'

const plan: PlanContent = PlanContentWire.parse(planWire)
const variants = ['EX36-3M', 'EX36-5M']

function permit(change: Partial<PermitContent> = {}): PermitContent {
  return {
    permit: 'DP-17',
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: `sha256:${'6'.repeat(64)}`,
    step: 'strength',
    limitUpper: { value: '3.4', unit: 'mA' },
    quantity: 50,
    validUntil: '2026-06-30T00:00:00Z',
    reason: 'filter capacitors of lot L-9',
    ...change,
  }
}

const limitsOf = (content: PlanContent, step: string, variant: string) =>
  content.steps
    .filter((one) => one.step === step)
    .flatMap((one) => settingsOf(one))
    .map(({ measurement, ...settings }) => [
      measurement,
      'limitUpper' in settings && settings.limitUpper ? limitText(settings.limitUpper, variant) : undefined,
    ])

const relaxed = (change: Partial<PermitContent> = {}) => relaxedContent(plan, [relaxationOf(permit(change))], variants)

describe('a relaxed limit', () => {
  test('stands in for the plan’s at every measurement of the step, and nowhere else', () => {
    const content = relaxed()
    expect(limitsOf(content, 'strength', 'EX36-3M')).toEqual([['live-to-earth', '3.4']])
    expect(limitsOf(content, 'touch', 'EX36-3M')).toEqual(limitsOf(plan, 'touch', 'EX36-3M'))
    expect(PlanContentWire.safeParse(content).success).toBe(true)
  })

  test('reaches one measurement alone where it names one', () => {
    const content = relaxed({ step: 'touch', measurement: 'normal-open', limitUpper: { value: '0.8', unit: 'mA' } })
    expect(limitsOf(content, 'touch', 'EX36-3M')).toEqual([
      ['normal-closed', '0.75'],
      ['normal-open', '0.8'],
      ['reversed-closed', '0.75'],
      ['reversed-open', '0.75'],
    ])
  })

  test('is that of the variants it names; the others keep theirs', () => {
    const content = relaxed({
      step: 'bond',
      measurement: 'hose-collar',
      limitUpper: { value: '210', unit: 'mOhm' },
      variants: ['EX36-5M'],
    })
    expect(limitsOf(content, 'bond', 'EX36-3M')).toEqual(limitsOf(plan, 'bond', 'EX36-3M'))
    expect(limitsOf(content, 'bond', 'EX36-5M')).toEqual([
      ['motor-housing', '197.5'],
      ['hose-collar', '210'],
    ])
  })
})

describe('a permit is refused', () => {
  const pointers = (change: Partial<PermitContent>) =>
    checkPermit(permit(change), plan, variants).map(({ pointer }) => pointer)
  test.each<[string, Partial<PermitContent>, string[]]>([
    ['that relaxes nothing', { limitUpper: { value: '3.0', unit: 'mA' } }, ['/limitUpper/value']],
    ['that tightens', { limitUpper: { value: '2.9', unit: 'mA' } }, ['/limitUpper/value']],
    ['in another unit', { limitUpper: { value: '3400', unit: 'uA' } }, ['/limitUpper/unit']],
    ['of a limit that is not there', { limitUpper: null, limitLower: { value: '1', unit: 'mA' } }, ['/limitLower']],
    ['of two limits', { limitLower: { value: '1', unit: 'mA' } }, ['/limitUpper']],
    ['of none', { limitUpper: null }, ['/limitUpper']],
    ['of no step', { step: 'flash' }, ['/step']],
    ['of no measurement', { measurement: 'live-to-lid' }, ['/measurement']],
    ['of no variant', { variants: ['EX36-9M'] }, ['/variants/0']],
    [
      'that tightens one of the variants it is for',
      { step: 'bond', limitUpper: { value: '160', unit: 'mOhm' } },
      ['/limitUpper/value', '/limitUpper/value'],
    ],
  ])('%s', (_, change, expected) => expect(pointers(change)).toEqual(expected))

  test('not where it relaxes', () => {
    expect(pointers({})).toEqual([])
    expect(pointers({ step: 'bond', limitUpper: { value: '160', unit: 'mOhm' }, variants: ['EX36-3M'] })).toEqual([])
    expect(pointers({ step: 'insulation', limitUpper: null, limitLower: { value: '1.5', unit: 'MOhm' } })).toEqual([])
  })
})
