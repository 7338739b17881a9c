import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { judge } from '../../src/judging/judge.ts'
import { worseVerdict } from '../../src/judging/words.ts'
import { checkAsFound } from '../../src/stations/as-found.ts'
import type { AsFound } from '../../src/stations/words.ts'
import { rejudgeByRevision, rejudgeCorrected, type StoredRun } from '../../src/studies/rejudge.ts'
import { isUnchanged, screenBetween } from '../../src/studies/screen.ts'
import { changedPlan, changedUpload, compiled, stepIn, type Wire } from '../judging/aldermoor.ts'

const NOTHING = { uncertainty: [] }
const before = compiled()

/** Touch currents as thousandths of a milliampere, in the order of the measurements. */
function touched(thousandths: readonly number[], change: (wire: Wire) => void = () => {}) {
  return changedUpload((wire) => {
    stepIn(wire, 'touch').measurements.forEach((one: Wire, index: number) => {
      one.reading.value = ((thousandths[index] ?? 0) / 1_000).toFixed(3)
    })
    change(wire)
  })
}

const withTouchLimit = (value: string, change: (wire: Wire) => void = () => {}) =>
  compiled(
    changedPlan((wire) => {
      stepIn(wire, 'touch').limitUpper = { value, unit: 'mA', inclusive: true }
      change(wire)
    }),
  )

/** As stored: through JSON, as the column of the judgement holds it. */
function stored(upload: ReturnType<typeof touched>): StoredRun {
  const { verdict, steps } = judge(upload, before, NOTHING)
  return { verdict, steps: JSON.parse(JSON.stringify(steps)) }
}

const readings = fc.array(fc.integer({ min: 1, max: 900 }), { minLength: 4, maxLength: 4 })
const limits = fc.integer({ min: 1, max: 900 }).map((thousandths) => (thousandths / 1_000).toFixed(3))

describe('judging again', () => {
  test('by the same revision changes no run', () => {
    fc.assert(
      fc.property(readings, (values) => {
        const upload = touched(values)
        expect(rejudgeByRevision(stored(upload), upload, { to: before, instrument: NOTHING })).toBeUndefined()
      }),
    )
  })

  test('lists a run exactly where the other revision would say something worse, and the screen loses none', () => {
    fc.assert(
      fc.property(
        readings,
        limits,
        fc.constantFrom('completed', 'breakdown', 'aborted'),
        (values, limit, termination) => {
          const upload = touched(values, (wire) => {
            if (termination !== 'completed') stepIn(wire, 'strength').measurements[0].termination = termination
          })
          const run = stored(upload)
          const to = withTouchLimit(limit)
          const after = judge(upload, to, NOTHING).verdict
          const isWorse = after !== run.verdict && worseVerdict(after, run.verdict) === after
          expect(rejudgeByRevision(run, upload, { to, instrument: NOTHING }) !== undefined).toBe(isWorse)
          const screen = screenBetween(before, to)
          if (screen === null) throw new Error('plain limits can be screened')
          if (isUnchanged(screen, run)) expect(after).toBe(run.verdict)
          else
            expect(run.verdict !== 'pass' || isWorse || values.some((one) => (one / 1_000).toFixed(3) === limit)).toBe(
              true,
            )
        },
      ),
      { numRuns: 300 },
    )
  })

  // The numbers of a limit tightened in mid-shift: readings up to 0.75, then 0.30 mA.
  test('names step, reading, both limits and margin', () => {
    const upload = touched([171, 341, 170, 300])
    const again = rejudgeByRevision(stored(upload), upload, { to: withTouchLimit('0.300'), instrument: NOTHING })
    expect(again).toMatchObject({
      verdictAfter: 'fail',
      measurements: [
        {
          step: 'touch',
          measurement: 'normal-open',
          verdictBefore: 'pass',
          verdictAfter: 'fail',
          judgedAfter: { value: '0.341', unit: 'mA' },
          limitUpperBefore: { value: '0.75', unit: 'mA' },
          limitUpperAfter: { value: '0.300', unit: 'mA' },
          margin: { value: '-0.041', unit: 'mA' },
        },
      ],
      beyond: '0.136666666667',
    })
  })
})

describe('a screen', () => {
  test('is not made where more than a plain limit differs', () => {
    const longer = compiled(changedPlan((wire) => (stepIn(wire, 'strength').dwell.least = '1.5')))
    expect(screenBetween(before, longer)).toBeNull()
    const inRamp = compiled(changedPlan((wire) => (stepIn(wire, 'strength').limitUpper.value = '2.0')))
    expect(screenBetween(before, inRamp)).toBeNull()
    const rounded = withTouchLimit(
      '0.5',
      (wire) => (stepIn(wire, 'touch').roundingRange = { value: '0.01', unit: 'mA' }),
    )
    expect(screenBetween(before, rounded)).toBeNull()
  })

  test('leaves a number at the limit to the judge', () => {
    const screen = screenBetween(before, withTouchLimit('0.341'))
    expect(screen && isUnchanged(screen, stored(touched([171, 341, 170, 340])))).toBe(false)
    expect(screen && isUnchanged(screen, stored(touched([171, 340, 170, 340])))).toBe(true)
  })
})

describe('an error found at calibration', () => {
  const low: AsFound = { kind: 'protective-bonding', error: { value: '-8', unit: '%' }, toleranceMet: false }
  const plan = compiled(
    changedPlan((wire) => {
      const bond = stepIn(wire, 'bond')
      bond.limitUpper = { value: '100', unit: 'mOhm', inclusive: true }
      bond.method = 'four-wire'
      delete bond.leadOffset
    }),
  )
  const bonded = (value: string) =>
    changedUpload((wire) => {
      const bond = stepIn(wire, 'bond')
      delete bond.leadOffset
      for (const one of bond.measurements) one.reading.value = value
    })
  const again = (value: string, asFound: AsFound[]) => {
    const upload = bonded(value)
    const { verdict, steps } = judge(upload, plan, NOTHING)
    return rejudgeCorrected({ verdict, steps }, upload, { revision: plan, instrument: NOTHING, asFound })
  }

  // Trade case T48: the tester read 8 % low, so the true number is the reading by 0.92.
  test.each([
    ['91', '98.91', 'pass'],
    ['94', '102.17', 'fail'],
    ['88', '95.65', 'pass'],
    ['92', '100', 'pass'],
    ['92.0000001', '100.00', 'fail'],
  ])('corrects %s mOhm to %s: %s', (value, corrected, verdict) => {
    const found = again(value, [low])
    expect(found?.verdictAfter).toBe(verdict)
    expect(found?.measurements.map(({ step }) => step)).toEqual(['bond', 'bond'])
    expect(found?.measurements[0]?.margin?.value.length).toBeLessThan(25)
    expect(Number(found?.beyond) > 0).toBe(verdict === 'fail')
    expect(Number(found?.measurements[0]?.judgedAfter?.value).toFixed(2)).toBe(Number(corrected).toFixed(2))
  })

  test('by an amount is taken off, and only within its range', () => {
    const amount: AsFound = { ...low, error: { value: '-8', unit: 'mOhm' }, range: { least: '92', unit: 'mOhm' } }
    expect(again('93', [amount])?.measurements[0]?.judgedAfter).toEqual({ value: '101', unit: 'mOhm' })
    expect(again('91', [amount])).toBeUndefined()
  })

  test('of another kind, or none at all, lists nothing', () => {
    expect(again('94', [{ ...low, kind: 'insulation-resistance' }])?.measurements.map(({ step }) => step)).toEqual([
      'insulation',
    ])
    expect(again('94', [{ ...low, error: { value: '0', unit: '%' } }])).toBeUndefined()
    expect(again('94', [])).toBeUndefined()
  })

  test('is refused where it cannot be', () => {
    const refused = (one: AsFound) => checkAsFound([one]).map(({ pointer }) => pointer)
    expect(refused(low)).toEqual([])
    expect(refused({ ...low, error: { value: '-100', unit: '%' } })).toEqual(['/asFound/0/error/value'])
    expect(refused({ ...low, error: { value: '1', unit: 'V' } })).toEqual(['/asFound/0/error/unit'])
    expect(refused({ ...low, kind: 'inspection' })).toEqual(['/asFound/0/kind'])
    expect(refused({ ...low, range: { least: '2', most: '1', unit: 'mOhm' } })).toEqual(['/asFound/0/range/least'])
  })
})
