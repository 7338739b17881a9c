import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compileRevision } from '../../src/judging/compile.ts'
import { judge } from '../../src/judging/judge.ts'
import type { PlanContent } from '../../src/plans/words.ts'
import { requirementsFor } from '../../src/rules/requirements.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { rejudgeTightened, type StoredRun } from '../../src/studies/rejudge.ts'
import { isUnchanged, screenBetween } from '../../src/studies/screen.ts'
import { tightenedRevision } from '../../src/studies/tighten.ts'
import {
  changedPlan,
  changedUpload,
  compiled,
  plan,
  stepIn,
  type Wire,
  withoutStationWords,
} from '../judging/aldermoor.ts'
import { compiled as compiledTable, houseTable } from '../rules/aldermoor-tables.ts'

/** All values are invented, no limits for a real product. */
const NOTHING = { uncertainty: [] }

type Outputs = EditionContent['outputs']

/** The plan as a table of a kind of step would have had it; rows are alternatives. */
function tightened(
  subject: EditionContent['subject'],
  outputs: Outputs,
  rows: string[][],
  { content = plan, verification = 'verified' }: { content?: PlanContent; verification?: 'verified' | 'invented' } = {},
) {
  const table = compiledTable(
    houseTable(
      { subject, outputs, inputs: [], rows: rows.map((then, index) => ({ row: `r${index + 1}`, when: [], then })) },
      verification,
    ),
  )
  return tightenedRevision(content, compiled(content), (kind) =>
    requirementsFor([{ table }], { subject: kind, ruleSets: new Set([table.ruleSet]), attributes: new Map() }),
  )
}

const most = (parameter: Outputs[number]['parameter'], unit: string): Outputs => [{ parameter, relation: '<=', unit }]
const least = (parameter: Outputs[number]['parameter'], unit: string): Outputs => [{ parameter, relation: '>=', unit }]
const VOLTAGE_AND_DWELL: Outputs = [...least('testVoltage', 'V'), ...least('dwell', 's')]

/** What the judge says by content that was changed by hand. */
const byHand = (change: (wire: Wire) => void) => compiled(changedPlan(change))

/** An upload whose station says nothing, with these readings and stresses. */
const run = (given: { touch?: string; voltage?: string; dwell?: string; bondCurrent?: string; bond?: string }) =>
  changedUpload((wire) => {
    withoutStationWords(wire)
    if (given.touch) stepIn(wire, 'touch').measurements[1].reading.value = given.touch
    if (given.voltage) stepIn(wire, 'strength').measurements[0].testVoltage.value = given.voltage
    if (given.dwell) stepIn(wire, 'strength').measurements[0].dwell.value = given.dwell
    if (given.bondCurrent) stepIn(wire, 'bond').measurements[0].testCurrent.value = given.bondCurrent
    if (given.bond) stepIn(wire, 'bond').measurements[0].reading.value = given.bond
  })

function stored(upload: ReturnType<typeof run>): StoredRun {
  const { verdict, steps } = judge(upload, compiled(), NOTHING)
  return { verdict, steps: JSON.parse(JSON.stringify(steps)) }
}

const verdictsOf = (upload: ReturnType<typeof run>, revision: ReturnType<typeof compiled>) =>
  judge(upload, revision, NOTHING).steps.map(({ measurements }) => measurements.map(({ verdict }) => verdict))

/** Three decimals of a number within. */
const decimals = (min: number, max: number) =>
  fc.integer({ min, max }).map((thousandths) => (thousandths / 1_000).toFixed(3))

describe('what an edition demands of a run', () => {
  test('of a limit: what a plan with that limit would say, in any unit', () => {
    fc.assert(
      fc.property(decimals(1, 900), decimals(1, 900), (limit, touch) => {
        const upload = run({ touch })
        const own = compiled()
        const to = tightened('touch-current', most('limitUpper', 'uA'), [[String(Number(limit) * 1_000)]]) ?? own
        const value = Number(limit) < 0.75 ? limit : '0.75'
        const hand = byHand((wire) => (stepIn(wire, 'touch').limitUpper = { value, unit: 'mA', inclusive: true }))
        expect(verdictsOf(upload, to)).toEqual(verdictsOf(upload, hand))
        const screen = screenBetween(own, to)
        if (screen === null) throw new Error('plain limits can be screened')
        const listed = rejudgeTightened(stored(upload), upload, { own, to, instrument: NOTHING })
        if (isUnchanged(screen, stored(upload))) expect(listed).toBeUndefined()
        const after = judge(upload, hand, NOTHING).verdict
        const isListed = judge(upload, own, NOTHING).verdict === 'pass' && (after === 'fail' || after === 'invalid')
        expect(listed !== undefined).toBe(isListed)
      }),
      { numRuns: 300 },
    )
  })

  test('of a stress: what a plan with that least would say; below it the test was none', () => {
    fc.assert(
      fc.property(decimals(9_900, 12_500), decimals(9_900, 12_500), (demanded, bondCurrent) => {
        const upload = run({ bondCurrent })
        const to = tightened('protective-bonding', least('testCurrent', 'A'), [[demanded]]) ?? compiled()
        const hand = byHand((wire) => {
          const { testCurrent } = stepIn(wire, 'bond')
          if (Number(demanded) > 10) testCurrent.least = demanded
        })
        expect(verdictsOf(upload, to)).toEqual(verdictsOf(upload, hand))
      }),
      { numRuns: 200 },
    )
  })

  test('of alternatives: the one with the fewest demands not met, then the least shortfall, and no other', () => {
    const volts = fc.integer({ min: 1_000, max: 1_400 })
    const rows = fc.array(fc.tuple(volts, fc.integer({ min: 5, max: 30 })), { minLength: 1, maxLength: 4 })
    fc.assert(
      fc.property(rows, volts, fc.integer({ min: 10, max: 20 }), (given, voltage, tenths) => {
        const upload = run({ voltage: String(voltage), dwell: (tenths / 10).toFixed(1) })
        const to = tightened(
          'electric-strength-ac',
          VOLTAGE_AND_DWELL,
          given.map(([v, d]) => [String(v), (d / 10).toFixed(1)]),
        )
        // The plan accepts from 1200 V and 1.0 s. Products of whole numbers in place of fractions.
        const departures = given.map(([v, d]) => {
          const short = [Math.max(0, v - 1_200) / v, Math.max(0, d - 10) / d]
          return { v, d, count: short.filter((one) => one > 0).length, share: Math.max(...short) }
        })
        const best = departures.reduce((one, other) =>
          other.count < one.count || (other.count === one.count && other.share > 0 && other.share < one.share)
            ? other
            : one,
        )
        if (best.count === 0) {
          expect(to).toBeUndefined()
          return
        }
        const hand = byHand((wire) => {
          const step = stepIn(wire, 'strength')
          if (best.v > 1_200) step.testVoltage.least = String(best.v)
          if (best.d > 10) step.dwell.least = (best.d / 10).toFixed(1)
        })
        expect(verdictsOf(upload, to ?? compiled())).toEqual(verdictsOf(upload, hand))
      }),
      { numRuns: 300 },
    )
  })

  test('is nothing where the plan keeps to it, where it only warns, or where no run shows it', () => {
    expect(tightened('touch-current', most('limitUpper', 'mA'), [['0.75']])).toBeUndefined()
    const invented = { verification: 'invented' } as const
    expect(tightened('touch-current', most('limitUpper', 'mA'), [['0.5']], invented)).toBeUndefined()
    expect(tightened('electric-strength-ac', most('tripCurrent', 'mA'), [['3']])).toBeUndefined()
    expect(tightened('protective-bonding', most('sourceVoltage', 'V'), [['6']])).toBeUndefined()
    // A demand that asks for more leeway moves nothing inwards.
    expect(tightened('touch-current', least('limitUpper', 'mA'), [['2']])).toBeUndefined()
    expect(
      tightened('touch-current', [{ parameter: 'limitUpper', relation: '=', unit: 'mA' }], [['2']]),
    ).toBeUndefined()
  })

  test('sets what the plan leaves open, and an open end leaves its value out', () => {
    const limitLower = tightened('touch-current', least('limitLower', 'mA'), [['0.2']])
    expect(limitLower?.steps[3]?.measurements[0]).toMatchObject({
      limitLower: { inclusive: true, written: { value: '0.2', unit: 'mA' } },
      limitUpper: { written: { value: '0.75', unit: 'mA' } },
    })
    const range = tightened(
      'touch-current',
      [{ parameter: 'limitUpper', relation: 'in', unit: 'mA' }],
      [['[0.1..0.75)']],
    )
    expect(range?.steps[3]?.measurements[0]?.limitUpper).toMatchObject({ inclusive: false, text: '0.75 mA' })
    const dwell = tightened('electric-strength-ac', most('dwell', 's'), [['1.1']])
    expect(dwell?.steps[1]?.measurements[0]?.stresses.find(({ name }) => name === 'dwell')).toMatchObject({
      least: { text: '1.0 s' },
      most: { text: '1.1 s' },
    })
    const residual = tightened('insulation-resistance', most('residualVoltage', 'V'), [['5']])
    expect(residual?.steps[2]?.measurements[0]?.residualVoltageMost).toMatchObject({ text: '5 V' })
    expect(verdictsOf(run({}), residual ?? compiled())[2]).toEqual(['invalid'])
  })

  test('of a limit by variant: the variant that departs, and it alone', () => {
    const outputs = most('limitUpper', 'mOhm')
    expect(tightened('protective-bonding', outputs, [['160']])).toBeUndefined()
    const other = compileRevision(plan, 'EX36-5M')
    if ('missing' in other) throw new Error('the plan has a limit for each variant')
    const table = compiledTable(
      houseTable({
        subject: 'protective-bonding',
        inputs: [],
        outputs,
        rows: [{ row: 'r1', when: [], then: ['160'] }],
      }),
    )
    const to = tightenedRevision(plan, other, (kind) =>
      requirementsFor([{ table }], { subject: kind, ruleSets: new Set([table.ruleSet]), attributes: new Map() }),
    )
    expect(to?.steps[0]?.measurements.map(({ limitUpper }) => limitUpper?.text)).toEqual(['160 mOhm', '160 mOhm'])
  })
})

describe('a run', () => {
  const to = tightened('electric-strength-ac', most('limitUpper', 'mA'), [['1.5']])
  const at = { own: compiled(), to: to ?? compiled(), instrument: NOTHING }

  test('is listed with its reading, both limits and the margin', () => {
    const upload = run({})
    expect(rejudgeTightened(stored(upload), upload, at)).toMatchObject({
      verdictAfter: 'fail',
      measurements: [
        {
          step: 'strength',
          verdictBefore: 'pass',
          verdictAfter: 'fail',
          judgedAfter: { value: '1.74', unit: 'mA' },
          limitUpperBefore: { value: '3.0', unit: 'mA' },
          limitUpperAfter: { value: '1.5', unit: 'mA' },
          margin: { value: '-0.24', unit: 'mA' },
        },
      ],
    })
  })

  test('that failed already is not laid to the edition, nor what a permit let through', () => {
    const failed = run({ touch: '0.800' })
    expect(stored(failed).verdict).toBe('fail')
    expect(rejudgeTightened(stored(failed), failed, at)).toBeUndefined()
    // Touch current beyond the plan's limit, let through by a permit; the edition speaks of another step.
    const permitted: StoredRun = { ...stored(failed), verdict: 'pass-under-permit' }
    const listed = rejudgeTightened(permitted, failed, at)
    expect(listed?.measurements.map(({ step }) => step)).toEqual(['strength'])
    const touched = tightened('touch-current', most('limitUpper', 'mA'), [['0.7']]) ?? compiled()
    expect(rejudgeTightened(permitted, failed, { ...at, to: touched })).toBeUndefined()
  })
})
