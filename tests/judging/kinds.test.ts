import { describe, expect, test } from 'vitest'
import { checkShape } from '../../src/judging/admit-shape.ts'
import { judge } from '../../src/judging/judge.ts'
import {
  changedPlan,
  changedUpload,
  codesOf,
  compiled,
  measurementOfRun,
  stepIn,
  type Wire,
  withoutStationWords,
} from './aldermoor.ts'

/** Steps of kinds that the example plan does not have, each alone. All numbers are invented. */
const continuity = {
  step: 'continuity',
  kind: 'protective-continuity',
  required: true,
  after: [],
  testCurrent: { set: '0.2', least: '0.2', most: '1', unit: 'A' },
  sourceVoltage: { least: '4', most: '24', unit: 'V' },
  method: 'two-wire',
  leadOffset: { most: { value: '50', unit: 'mOhm' }, ageMax: { value: '12', unit: 'h' } },
  limitUpper: { value: '300', unit: 'mOhm', inclusive: true },
  measurements: [{ measurement: 'lid', from: ['plug-earth-pin'], to: ['motor-housing'] }],
}
const residual = {
  step: 'plug-pins',
  kind: 'residual-voltage',
  required: true,
  after: [],
  detector: 'peak',
  supplyVoltage: { set: '230', least: '225', most: '250', unit: 'V' },
  readAt: { set: '1.0', least: '0.9', most: '1.0', unit: 's' },
  limitUpper: { value: '34', unit: 'V', inclusive: true },
  measurements: [{ measurement: 'line-to-neutral', from: ['line'], to: ['neutral'] }],
}
const look = {
  step: 'look',
  kind: 'inspection',
  required: true,
  after: [],
  measurements: [{ measurement: 'cord-anchorage', instruction: 'The cord anchorage holds and the cover is closed.' }],
}

function judged(planned: Wire, measurement: Wire, step: Wire = {}) {
  const revision = compiled(
    changedPlan((plan) => {
      plan.steps = [structuredClone(planned)]
    }),
  )
  const upload = changedUpload((wire) => {
    withoutStationWords(wire)
    const { startedAt, endedAt, leadOffset } = stepIn(wire, 'bond')
    const own = planned.method === 'two-wire' ? { leadOffset } : {}
    const one = { measurement: planned.measurements[0].measurement, termination: 'completed', ...measurement }
    wire.steps = [{ step: planned.step, startedAt, endedAt, ...own, ...step, measurements: [one] }]
  })
  const refused = checkShape(upload, revision, '').map(({ pointer, facts }) => `${pointer}: ${facts['detail']}`)
  const run = judge(upload, revision)
  const one = measurementOfRun(run, planned.step, planned.measurements[0].measurement)
  return { refused, verdict: one.verdict, codes: codesOf(one), one, run }
}

describe('protective continuity', () => {
  const reading = (value: string, current = '0.21') => ({
    testCurrent: { value: current, unit: 'A' },
    reading: { quantity: 'resistance', value, unit: 'mOhm' },
  })

  test.each([
    ['121.0', '0.21', 'pass', ['lead-offset-subtracted']],
    ['321.0', '0.21', 'pass', ['lead-offset-subtracted']],
    ['321.1', '0.21', 'fail', ['above-limit', 'lead-offset-subtracted']],
    ['321.1', '0.19', 'invalid', ['stress-below-plan', 'lead-offset-subtracted']],
    ['20.9', '0.21', 'invalid', ['net-below-zero', 'lead-offset-subtracted']],
  ])('%s mOhm at %s A, 21.0 mOhm of leads: %s', (value, current, verdict, codes) => {
    expect(judged(continuity, reading(value, current))).toMatchObject({ refused: [], verdict, codes })
  })

  test('takes a voltage drop, divided by the measured current', () => {
    const drop = {
      testCurrent: { value: '0.2', unit: 'A' },
      reading: { quantity: 'voltage-drop', value: '64.2', unit: 'mV' },
    }
    expect(judged(continuity, drop)).toMatchObject({ refused: [], verdict: 'pass', one: { judged: { value: '300' } } })
  })
})

describe('residual voltage', () => {
  const reading = (value: string, at = '1.00', more: Wire = {}) => ({
    supplyVoltage: { value: '231', unit: 'V' },
    readAt: { value: at, unit: 's' },
    reading: { quantity: 'voltage', detector: 'peak', value, unit: 'V', ...more },
  })

  test.each<[string, string, string, string[]]>([
    ['12', '1.00', 'pass', []],
    ['34', '1.00', 'pass', []],
    ['34.1', '1.00', 'fail', ['above-limit']],
    // Either polarity is as dangerous.
    ['-34.1', '1.00', 'fail', ['above-limit']],
    ['-34', '0.95', 'pass', []],
    // Read late a good number proves nothing, and a bad one is bad all the more.
    ['12', '1.01', 'invalid', ['read-too-late']],
    ['34.1', '1.50', 'fail', ['above-limit']],
    // Read early neither says anything of a sound unit.
    ['12', '0.89', 'invalid', ['read-too-early']],
    ['60', '0.50', 'invalid', ['read-too-early']],
  ])('%s V after %s s: %s', (value, at, verdict, codes) => {
    const found = judged(residual, reading(value, at))
    expect(found).toMatchObject({ refused: [], verdict, codes })
    expect(found.run.overStress).toBe(false)
  })

  test('a supply below the plan is no test, one above it is over-stress', () => {
    const at = (value: string) => judged(residual, { ...reading('12'), supplyVoltage: { value, unit: 'V' } })
    expect(at('224').codes).toEqual(['stress-below-plan'])
    expect(at('251')).toMatchObject({ verdict: 'pass', run: { overStress: true } })
  })

  test('needs its detector, its kind of number and the time of reading', () => {
    expect(judged(residual, reading('12', '1.00', { detector: undefined })).refused).toEqual([
      '/steps/0/measurements/0/reading/detector: is needed for a voltage',
    ])
    expect(judged(residual, reading('12', '1.00', { detector: 'rms' })).codes).toEqual(['detector-mismatch'])
    expect(judged(residual, reading('12', '1.00', { quantity: 'current', unit: 'mA' })).refused).toEqual([
      '/steps/0/measurements/0/reading/quantity: a step of residual-voltage reads voltage',
    ])
    expect(judged(residual, { ...reading('12'), readAt: undefined })).toMatchObject({ verdict: 'invalid' })
  })
})

describe('an inspection', () => {
  test.each<[string, Wire, string, string[]]>([
    ['conforming', { conformity: 'conforming' }, 'pass', []],
    ['nonconforming', { conformity: 'nonconforming' }, 'fail', ['nonconforming']],
    ['without a word', {}, 'invalid', ['conformity-missing']],
    ['broken off', { conformity: 'conforming', termination: 'operator-stop' }, 'invalid', ['operator-stop']],
    ['broken off, and bad', { conformity: 'nonconforming', termination: 'operator-stop' }, 'fail', ['nonconforming']],
    [
      'that the station doubts',
      { conformity: 'conforming', stationVerdict: 'fail' },
      'fail',
      ['station-verdict-worse'],
    ],
  ])('%s', (_, measurement, verdict, codes) => {
    expect(judged(look, measurement)).toMatchObject({ refused: [], verdict, codes })
  })

  test('reads no number, and no other kind states conformity', () => {
    expect(
      judged(look, { conformity: 'conforming', reading: { quantity: 'voltage', value: '1', unit: 'V' } }).refused,
    ).toEqual(['/steps/0/measurements/0/reading: an inspection reads nothing; it states conformity'])
    expect(
      judged(residual, {
        conformity: 'conforming',
        supplyVoltage: { value: '231', unit: 'V' },
        readAt: { value: '1', unit: 's' },
      }).refused,
    ).toEqual(['/steps/0/measurements/0/conformity: is for inspections alone'])
  })
})

test('an order holds by way of an optional step that was left out', () => {
  const plan = changedPlan((wire) => {
    const [bond, strength] = wire.steps
    wire.steps = [bond, { ...look, required: false, after: ['bond'] }, { ...strength, after: ['look'] }]
  })
  const upload = changedUpload((wire) => {
    withoutStationWords(wire)
    const [bond, strength] = wire.steps
    wire.steps = [{ ...bond, startedAt: strength.endedAt, endedAt: wire.endedAt }, strength]
  })
  expect(codesOf(measurementOfRun(judge(upload, compiled(plan)), 'strength', 'live-to-earth'))).toEqual(['order-wrong'])
})
