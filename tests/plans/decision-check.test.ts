import { describe, expect, test } from 'vitest'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import { diffContents } from '../../src/review/diff.ts'
import { ex36, planWire, type Wire } from '../support/aldermoor.ts'

function contentAfter(change: (plan: Wire) => void) {
  const wire = structuredClone(planWire)
  change(wire)
  return PlanContentWire.parse(wire)
}

const refusalsOf = (change: (plan: Wire) => void) =>
  checkPlanContent(contentAfter(change), ex36()).map(({ pointer, detail }) => `${pointer}: ${detail}`)

/** Every step with a band that its limits leave room for. */
function guard(plan: Wire): void {
  plan.decisionRule.kind = 'guarded'
  const widths = ['5 mOhm', '0.1 mA', '0.1 MOhm', '20 uA']
  for (const [index, step] of plan.steps.entries()) {
    const [value, unit] = (widths[index] ?? '').split(' ')
    step.guardBand = { value, unit }
  }
}

function roundAll(plan: Wire): void {
  plan.rounding = { kind: 'rounded', ties: 'half-even' }
  const ranges = ['0.5 mOhm', '0.1 mA', '1 MOhm', '10 uA']
  for (const [index, step] of plan.steps.entries()) {
    const [value, unit] = (ranges[index] ?? '').split(' ')
    step.roundingRange = { value, unit }
  }
}

describe('a guarded rule and rounding', () => {
  test('are taken where every step says how', () => {
    expect(refusalsOf(guard)).toEqual([])
    expect(refusalsOf(roundAll)).toEqual([])
    expect(
      refusalsOf((plan) => {
        guard(plan)
        roundAll(plan)
        plan.steps[3].guardBand = { multiple: '1' }
      }),
    ).toEqual([])
  })

  const guardedBut = (step: number, guardBand: Wire) => (plan: Wire) => {
    guard(plan)
    plan.steps[step].guardBand = guardBand
  }
  const roundedBut = (step: number, value: string, unit: string) => (plan: Wire) => {
    roundAll(plan)
    plan.steps[step].roundingRange = { value, unit }
  }
  test.each<[string, (plan: Wire) => void, string]>([
    ['no band', guardedBut(1, null), '/steps/1/guardBand: is required by the decision rule guarded'],
    [
      'a band under a simple rule',
      (plan) => {
        plan.steps[0].guardBand = { value: '1', unit: 'mOhm' }
      },
      '/steps/0/guardBand: is for the decision rule guarded alone',
    ],
    [
      'a width and a multiple',
      guardedBut(0, { value: '1', unit: 'mOhm', multiple: '1' }),
      '/steps/0/guardBand/multiple: must not stand beside value and unit',
    ],
    ['nothing said', guardedBut(0, {}), '/steps/0/guardBand/value: is required where there is no multiple'],
    ['no unit', guardedBut(0, { value: '1' }), '/steps/0/guardBand/unit: is required where there is no multiple'],
    [
      'a negative width',
      guardedBut(0, { value: '-1', unit: 'mOhm' }),
      '/steps/0/guardBand/value: must not be negative',
    ],
    ['a multiple of zero', guardedBut(0, { multiple: '0' }), '/steps/0/guardBand/multiple: must be above zero'],
    [
      'a band as wide as the limit',
      guardedBut(0, { value: '160', unit: 'mOhm' }),
      '/steps/0/guardBand: leaves no number that would pass',
    ],
    // Touch current: limit 0.75 mA, open lead minimum 0.06 mA.
    [
      'a band down to the open lead minimum',
      guardedBut(3, { value: '0.7', unit: 'mA' }),
      '/steps/3/guardBand: leaves no number that would pass',
    ],
    [
      'no rounding range',
      (plan) => {
        roundAll(plan)
        plan.steps[2].roundingRange = null
      },
      '/steps/2/roundingRange: is required where numbers are rounded',
    ],
    [
      'no tie rule',
      (plan) => {
        roundAll(plan)
        plan.rounding.ties = null
      },
      '/rounding/ties: is required where numbers are rounded',
    ],
    [
      'a tie rule for numbers as they are',
      (plan) => {
        plan.rounding.ties = 'half-up'
      },
      '/rounding/ties: is not for numbers compared as they are',
    ],
    [
      'a range under absolute',
      (plan) => {
        plan.steps[1].roundingRange = { value: '0.1', unit: 'mA' }
      },
      '/steps/1/roundingRange: is for rounded numbers alone',
    ],
    [
      'a limit between two multiples',
      roundedBut(3, '0.1', 'mA'),
      '/steps/3/roundingRange: the limitUpper 0.75 mA is no multiple of it',
    ],
    ['a range of zero', roundedBut(3, '0', 'mA'), '/steps/3/roundingRange/value: must be above zero'],
  ])('refuses %s', (_, change, refusal) => {
    expect(refusalsOf(change)).toEqual([refusal])
  })

  test('are refused where a measurement says them, at the measurement', () => {
    const refusals = refusalsOf((plan) => {
      guard(plan)
      plan.steps[3].measurements[2].guardBand = { value: '1', unit: 'mA' }
    })
    expect(refusals).toEqual(['/steps/3/measurements/2/guardBand: leaves no number that would pass'])
  })
})

describe('the diff', () => {
  const changesFrom = (from: (plan: Wire) => void, to: (plan: Wire) => void) =>
    diffContents(contentAfter(from), contentAfter(to)).map(({ member, kind, sentence }) => [member, kind, sentence])
  const asIs = () => {}

  test('tells a guarded rule as tighter, and evidence from steps as looser', () => {
    expect(changesFrom(asIs, guard)[0]).toEqual([
      'decisionRule',
      'tightened',
      'The decision rule was tightened: simple before, guarded now.',
    ])
    expect(changesFrom(guard, asIs)[0]?.slice(0, 2)).toEqual(['decisionRule', 'loosened'])
    const fromSteps = (plan: Wire) => {
      plan.evidenceFrom = 'steps'
    }
    expect(changesFrom(asIs, fromSteps)).toEqual([
      ['evidenceFrom', 'loosened', 'The source of evidence was loosened: one-run before, steps now.'],
    ])
  })

  test('tells a wider band as tighter, in whatever unit, and one of another kind as changed', () => {
    const withBand = (guardBand: Wire) => (plan: Wire) => {
      guard(plan)
      plan.steps[3].guardBand = guardBand
    }
    expect(changesFrom(guard, withBand({ value: '0.030', unit: 'mA' }))).toEqual([
      ['guardBand', 'tightened', 'Step touch: the guard band was tightened: 20 uA before, 0.03 mA now (+50 %).'],
    ])
    expect(changesFrom(guard, withBand({ value: '0.020', unit: 'mA' }))).toEqual([])
    expect(changesFrom(withBand({ multiple: '2' }), withBand({ multiple: '1' }))[0]?.slice(0, 2)).toEqual([
      'guardBand',
      'loosened',
    ])
    expect(changesFrom(guard, withBand({ multiple: '1' }))).toEqual([
      [
        'guardBand',
        'changed',
        'Step touch: the guard band was changed: 20 uA before, 1 times the expanded uncertainty now.',
      ],
    ])
  })

  test('tells a coarser rounding as changed', () => {
    const finer = (plan: Wire) => {
      roundAll(plan)
      plan.steps[3].roundingRange = { value: '1', unit: 'uA' }
    }
    expect(changesFrom(roundAll, finer)).toEqual([
      ['roundingRange', 'changed', 'Step touch: the rounding range was changed: 10 uA before, 1 uA now (-90 %).'],
    ])
  })
})
