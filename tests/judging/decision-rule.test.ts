import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Decimal, decimal, formatDecimal, nearestMultiple, type TieRule } from '../../src/exact/decimal.ts'
import { roundNumber } from '../../src/judging/acceptance.ts'
import { judge } from '../../src/judging/judge.ts'
import { placeOver, placeUnder } from '../../src/judging/limit.ts'
import { verdicts } from '../../src/judging/words.ts'
import type { Uncertainty } from '../../src/stations/words.ts'
import {
  changedPlan,
  changedUpload,
  compiled,
  measurementOfRun,
  stepIn,
  type Wire,
  withoutStationWords,
} from './aldermoor.ts'

/** The touch current of all conditions, against 0.500 mA, under the plan's decision rule and rounding. */
function touch(value: string, change: (plan: Wire, step: Wire) => void, uncertainty: readonly Uncertainty[] = []) {
  const content = changedPlan((wire) => {
    const step = stepIn(wire, 'touch')
    step.limitUpper = { value: '0.500', unit: 'mA', inclusive: true }
    // A bound from above proves no contact.
    delete step.openLeadMinimum
    wire.steps = [{ ...step, after: [] }]
    change(wire, wire.steps[0])
  })
  const upload = changedUpload((wire) => {
    withoutStationWords(wire)
    wire.steps = [stepIn(wire, 'touch')]
    for (const one of wire.steps[0].measurements) Object.assign(one.reading, reading(value))
  })
  return measurementOfRun(judge(upload, compiled(content), { uncertainty }), 'touch', 'normal-closed')
}

function reading(text: string): Wire {
  const relation = /^[<>]/.test(text) ? text[0] : '='
  return { value: text.replace(/^[<>]/, ''), unit: 'mA', relation }
}

const guarded = (guardBand: Wire) => (plan: Wire, step: Wire) => {
  plan.decisionRule = { kind: 'guarded' }
  step.guardBand = guardBand
}
const absolute = (value: string, unit = 'mA') => guarded({ value, unit })

describe('a guarded decision rule', () => {
  // The numbers are those of the trade case T23: limit 0.500 mA, w 0.020 mA.
  test.each([
    ['0.479', 'pass', 'pass'],
    ['0.480', 'pass', 'pass'],
    ['0.4800001', 'pass', 'inconclusive'],
    ['0.485', 'pass', 'inconclusive'],
    ['0.500', 'pass', 'inconclusive'],
    ['0.501', 'fail', 'fail'],
    ['<0.480', 'pass', 'pass'],
    ['<0.490', 'pass', 'inconclusive'],
    ['<0.600', 'inconclusive', 'inconclusive'],
    ['>0.480', 'inconclusive', 'inconclusive'],
    ['>0.500', 'fail', 'fail'],
  ])('%s mA: simple %s, guarded %s', (value, simple, byGuard) => {
    expect(touch(value, () => {}).verdict).toBe(simple)
    expect(touch(value, absolute('0.020')).verdict).toBe(byGuard)
    expect(touch(value, absolute('20', 'uA')).verdict).toBe(byGuard)
  })

  test('says which width was used, and the limit by which it accepts', () => {
    expect(touch('0.485', absolute('0.020'))).toMatchObject({
      limitUpper: { value: '0.500', unit: 'mA' },
      guardBand: { value: '0.02', unit: 'mA' },
      acceptanceUpper: { value: '0.48', unit: 'mA' },
      reasons: [
        { code: 'within-guard-band', facts: { reading: '0.485 mA', guardBand: '0.02 mA', acceptanceUpper: '0.48 mA' } },
      ],
    })
    expect(touch('0.485', () => {})).not.toHaveProperty('guardBand')
  })

  test('a number on the acceptance limit obeys the word of the limit', () => {
    const exclusive = (plan: Wire, step: Wire) => {
      absolute('0.020')(plan, step)
      step.limitUpper.inclusive = false
    }
    expect(touch('0.480', exclusive).verdict).toBe('inconclusive')
    expect(touch('0.4799', exclusive).verdict).toBe('pass')
  })

  test('guards a lower limit too', () => {
    const both = (plan: Wire, step: Wire) => {
      absolute('0.020')(plan, step)
      step.limitLower = { value: '0.100', unit: 'mA', inclusive: true }
    }
    expect(touch('0.120', both).verdict).toBe('pass')
    expect(touch('0.119', both)).toMatchObject({
      verdict: 'inconclusive',
      acceptanceLower: { value: '0.12', unit: 'mA' },
    })
    expect(touch('0.099', both).verdict).toBe('fail')
  })

  describe('by a multiple of the expanded uncertainty', () => {
    const statement = (more: Partial<Uncertainty>): Uncertainty => ({ kind: 'touch-current', ...more })
    const twice = guarded({ multiple: '2' })

    test.each([
      ['an absolute one', statement({ expanded: { value: '0.010', unit: 'mA' } }), '0.480', '0.481'],
      ['a share of the reading', statement({ relative: { value: '2', unit: '%' } }), '0.480', '0.481'],
      [
        'both',
        statement({ expanded: { value: '5', unit: 'uA' }, relative: { value: '0.01', unit: '1' } }),
        '0.480',
        '0.481',
      ],
    ])('%s', (_, uncertainty, passes, isNear) => {
      // 2 x 0.010 = 0.020; 0.480 x 1.04 = 0.4992 and 0.481 x 1.04 = 0.50024; 0.480 x 1.02 + 0.01 = 0.4996.
      expect(touch(passes, twice, [uncertainty]).verdict).toBe('pass')
      expect(touch(isNear, twice, [uncertainty]).verdict).toBe('inconclusive')
    })

    test('of the first statement of its kind that holds the reading', () => {
      const statements = [
        statement({ kind: 'insulation-resistance', expanded: { value: '9', unit: 'MOhm' } }),
        statement({ range: { most: '0.2', unit: 'mA' }, expanded: { value: '0.2', unit: 'mA' } }),
        statement({ range: { least: '0.2', most: '1', unit: 'mA' }, expanded: { value: '0.010', unit: 'mA' } }),
      ]
      expect(touch('0.480', twice, statements).verdict).toBe('pass')
      expect(touch('0.2', twice, statements).acceptanceUpper).toEqual({ value: '0.1', unit: 'mA' })
    })

    test('none known: nothing passes by it, and a number beyond the limit fails all the same', () => {
      expect(touch('0.2', twice)).toMatchObject({
        verdict: 'inconclusive',
        reasons: [{ code: 'uncertainty-unknown', facts: { kind: 'touch-current' } }],
      })
      expect(touch('0.501', twice).verdict).toBe('fail')
    })
  })

  const thousandths = fc.integer({ min: 0, max: 800 }).map((n) => (n / 1000).toFixed(3))
  const rank = (verdict: string) => verdicts.indexOf(verdict as (typeof verdicts)[number])

  test('a wider band never makes a verdict better, and never touches a fail', () => {
    fc.assert(
      fc.property(thousandths, fc.integer({ min: 0, max: 200 }), fc.integer({ min: 0, max: 200 }), (value, w, more) => {
        const narrow = touch(value, absolute((w / 1000).toFixed(3))).verdict
        const wide = touch(value, absolute(((w + more) / 1000).toFixed(3))).verdict
        expect(rank(wide)).toBeLessThanOrEqual(rank(narrow))
        expect(wide === 'fail').toBe(narrow === 'fail')
      }),
      { numRuns: 60 },
    )
  })

  test('with a band of no width it is the simple rule', () => {
    fc.assert(
      fc.property(thousandths, fc.constantFrom('', '<', '>'), (value, relation) => {
        expect(touch(`${relation}${value}`, absolute('0')).verdict).toBe(touch(`${relation}${value}`, () => {}).verdict)
      }),
      { numRuns: 60 },
    )
  })
})

describe('rounding before comparing', () => {
  // The numbers are those of the trade case T21.
  test.each([
    ['3.54', '3.5', undefined, 'fail'],
    ['3.54', '3.5', 'half-up', 'pass'],
    ['3.45', '3.4', 'half-up', 'fail'],
    ['3.45', '3.4', 'half-even', 'pass'],
    ['3.55', '3.5', 'half-even', 'fail'],
    ['3.4500000000000000000000001', '3.4', 'half-even', 'fail'],
    ['>3.54', '3.5', 'half-up', 'inconclusive'],
    ['>3.55', '3.5', 'half-even', 'fail'],
    ['>3.45', '3.5', 'half-even', 'inconclusive'],
    ['<3.55', '3.5', 'half-up', 'pass'],
    ['<3.56', '3.5', 'half-up', 'inconclusive'],
  ])('%s mA against %s mA, ties %s: %s', (value, limit, ties, verdict) => {
    const judged = touch(value, (plan, step) => {
      step.limitUpper.value = limit
      if (ties === undefined) return
      plan.rounding = { kind: 'rounded', ties }
      step.roundingRange = { value: '0.1', unit: 'mA' }
    })
    expect(judged.verdict).toBe(verdict)
  })

  test('shows the number as received, and as rounded beside it', () => {
    const judged = touch('3.450', (plan, step) => {
      step.limitUpper.value = '3.5'
      plan.rounding = { kind: 'rounded', ties: 'half-even' }
      step.roundingRange = { value: '100', unit: 'uA' }
    })
    expect(judged).toMatchObject({
      judged: { value: '3.450' },
      rounded: { value: '3.4', unit: 'mA' },
      margin: { value: '0.1' },
    })
  })

  test('never feeds validity: 0.0549 mA below an open lead minimum of 0.06 mA is no test', () => {
    const judged = touch('0.0549', (plan, step) => {
      step.openLeadMinimum = { value: '0.06', unit: 'mA' }
      plan.rounding = { kind: 'rounded', ties: 'half-up' }
      step.roundingRange = { value: '0.1', unit: 'mA' }
    })
    expect(judged.verdict).toBe('invalid')
  })

  test('comes first, the guard band after it', () => {
    const both = (plan: Wire, step: Wire) => {
      absolute('0.02')(plan, step)
      plan.rounding = { kind: 'rounded', ties: 'half-up' }
      step.roundingRange = { value: '0.01', unit: 'mA' }
    }
    expect(touch('0.484', both).verdict).toBe('pass')
    expect(touch('0.485', both).verdict).toBe('inconclusive')
    expect(touch('0.504', both).verdict).toBe('inconclusive')
    expect(touch('0.505', both).verdict).toBe('fail')
  })
})

describe('the nearest multiple', () => {
  const fraction = fc.tuple(fc.bigInt({ min: -(10n ** 40n), max: 10n ** 40n }), fc.nat(20))
  const whole = (n: bigint, places: number): Decimal => {
    const digits = (n < 0n ? -n : n).toString().padStart(places + 1, '0')
    const text = places === 0 ? digits : `${digits.slice(0, -places)}.${digits.slice(-places)}`
    return decimal(`${n < 0n ? '-' : ''}${text.replace(/^0+(?=\d)/, '')}`)
  }
  /** numerator / (divisor * range) as a fraction of whole numbers, rounded by hand. */
  function byHand(n: [bigint, number], d: [bigint, number], r: [bigint, number], ties: TieRule): bigint {
    let above = n[0] * 10n ** BigInt(d[1] + r[1])
    let below = d[0] * r[0] * 10n ** BigInt(n[1])
    if (below < 0n) [above, below] = [-above, -below]
    const isNegative = above < 0n
    const size = isNegative ? -above : above
    const [count, rest] = [size / below, size % below]
    const isUp = rest * 2n > below || (rest * 2n === below && (ties === 'half-up' || count % 2n === 1n))
    const rounded = isUp ? count + 1n : count
    return isNegative ? -rounded : rounded
  }
  const small = fc.tuple(fc.bigInt({ min: -99_999n, max: 99_999n }), fc.nat(3))
  const positive = fc.tuple(fc.bigInt({ min: 1n, max: 9_999n }), fc.nat(4))

  test('is that of exact fractions, ties and all', () => {
    fc.assert(
      fc.property(
        fc.oneof(fraction, small),
        positive,
        positive,
        fc.constantFrom('half-even' as const, 'half-up' as const),
        (n, d, r, ties) => {
          fc.pre(n[0].toString().length <= 30)
          const range = whole(...r)
          const found = nearestMultiple({ numerator: whole(...n), divisor: whole(...d) }, range, ties)
          const expected = byHand(n, d, r, ties)
          const again = nearestMultiple({ numerator: found, divisor: null }, range, ties)
          expect(formatDecimal(again)).toBe(formatDecimal(found))
          expect(byHand([expected * r[0], r[1]], [1n, 0], r, ties)).toBe(expected)
          expect(formatDecimal(found)).toBe(formatDecimal(whole(expected * r[0], r[1])))
        },
      ),
    )
  })

  test('of a bound leaves out no number that lies beyond it', () => {
    const tenths = fc.integer({ min: -80, max: 80 })
    fc.assert(
      fc.property(
        tenths,
        tenths,
        fc.constantFrom('<' as const, '>' as const),
        fc.boolean(),
        (bound, limitTenths, relation, inclusive) => {
          // Bounds in twentieths, so that ties happen; the range and limits in tenths.
          const number = {
            numerator: decimal((bound / 20).toFixed(2)),
            divisor: null,
            relation,
            isBoundIncluded: false,
          }
          const limit = { value: decimal((limitTenths / 10).toFixed(1)), inclusive }
          const range = decimal('0.1')
          const rounded = roundNumber(number, range, 'half-even')
          // Whatever a bound decides must hold for the numbers near it that it allows.
          for (const step of [1, 2, 50, 99, 100, 1_000]) {
            const value = bound / 20 + (relation === '>' ? step : -step) / 1_000
            const one = roundNumber(
              { numerator: decimal(value.toFixed(4)), divisor: null, relation: '=', isBoundIncluded: false },
              range,
              'half-even',
            )
            for (const place of [placeUnder, placeOver]) {
              const decided = place(rounded, limit)
              if (decided !== 'undecided') expect(place(one, limit)).toBe(decided)
            }
          }
        },
      ),
    )
  })
})
