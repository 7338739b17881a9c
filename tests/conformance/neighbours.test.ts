import { describe, expect, test } from 'vitest'
import { judge } from '../../src/judging/judge.ts'
import {
  changedPlan,
  changedUpload,
  codesOf,
  compiled,
  judged,
  measurementOfRun,
  stepIn,
  type Wire,
  withoutStationWords,
} from '../judging/aldermoor.ts'

// Neighbours of the cases in ./cases that hang on judging: beside, on and beyond each edge, one measurement at a time.

const measurement = (wire: Wire, step: string, index = 0): Wire => stepIn(wire, step).measurements[index]
const strength = (change: (measurement: Wire) => void, changePlan?: (step: Wire) => void) => {
  const run = judged(
    (wire) => change(measurement(wire, 'strength')),
    (wire) => changePlan?.(stepIn(wire, 'strength')),
  )
  return { run, one: measurementOfRun(run, 'strength', 'live-to-earth') }
}
const bond = (change: (step: Wire, measurement: Wire) => void, changePlan?: (step: Wire) => void) => {
  const run = judged(
    (wire) => change(stepIn(wire, 'bond'), measurement(wire, 'bond')),
    (wire) => changePlan?.(stepIn(wire, 'bond')),
  )
  return { run, one: measurementOfRun(run, 'bond', 'motor-housing') }
}

describe('T05: over-range insulation', () => {
  test.each([
    ['2 MOhm', undefined, 'pass'],
    ['9.99 GOhm', undefined, 'pass'],
    ['20 GOhm', undefined, 'inconclusive'],
    ['2 MOhm', '50 GOhm', 'inconclusive'],
    ['2 MOhm', '9.99 GOhm', 'fail'],
  ])('limits %s to %s: %s', (lower, upper, verdict) => {
    const limit = (text: string) => ({ value: text.split(' ')[0], unit: text.split(' ')[1], inclusive: true })
    const run = judged(undefined, (wire) => {
      const step = stepIn(wire, 'insulation')
      step.limitLower = limit(lower)
      if (upper !== undefined) step.limitUpper = limit(upper)
    })
    expect(measurementOfRun(run, 'insulation', 'live-to-earth').verdict).toBe(verdict)
    expect(run.verdict).toBe(verdict)
  })
})

describe('T06: next to no current means an open lead', () => {
  test.each([
    ['1.74', 'pass', []],
    ['0.65', 'pass', []],
    ['0.649', 'invalid', ['open-lead-suspected']],
    ['0.00', 'invalid', ['open-lead-suspected']],
  ])('%s mA: %s', (value, verdict, codes) => {
    const { run, one } = strength((m) => {
      m.reading.value = value
    })
    expect([one.verdict, codesOf(one)]).toEqual([verdict, codes])
    expect(run.verdict).toBe(verdict)
  })
  test('of a bound below the minimum nothing is known but that it may be open', () => {
    const { one } = strength((m) => Object.assign(m.reading, { relation: '<', value: '1.0' }))
    expect([one.verdict, codesOf(one)]).toEqual(['inconclusive', ['limit-undecided']])
  })
})

describe('T07: how it ended outranks the number', () => {
  test('an arc within the limit fails, with the number and the voltage reached in the reason only', () => {
    const { run, one } = strength((m) => {
      m.termination = 'arc'
      m.testVoltage.value = '1180'
      m.reading.value = '0.4'
    })
    expect(one).toEqual({
      measurement: 'live-to-earth',
      verdict: 'fail',
      limitUpper: { value: '3.0', unit: 'mA' },
      reasons: [{ code: 'arc', facts: { shown: '0.4 mA', reached: '1180 V' } }],
    })
    expect(run.verdict).toBe('fail')
  })
  test('an over-current without a number fails, above the trip', () => {
    const { one } = strength((m) => {
      m.termination = 'over-current'
      delete m.reading
    })
    expect(one.verdict).toBe('fail')
    expect(one.reasons).toEqual([{ code: 'over-current', facts: { shown: '>5.0 mA', reached: '1251 V' } }])
  })
  test('a breakdown fails also with the wrong detector and no stress', () => {
    const { one } = strength((m) => {
      m.termination = 'breakdown'
      m.reading.detector = 'peak'
      delete m.testVoltage
    })
    expect([one.verdict, codesOf(one)]).toEqual(['fail', ['breakdown']])
  })
})

describe('T08: the ramp is no test time', () => {
  const total = (seconds: string, ramp: string, more: object = {}) =>
    strength((m) => {
      delete m.dwell
      Object.assign(m, { totalTime: { value: seconds, unit: 's' }, rampUp: { value: ramp, unit: 's' }, ...more })
    })
  test('1.00 s with 0.30 s of it rising is 0.70 s', () => {
    const { one } = total('1.00', '0.30')
    expect([one.verdict, codesOf(one)]).toEqual(['invalid', ['stress-below-plan']])
    expect(one.reasons[0]?.facts).toEqual({ stress: 'dwell', measured: '0.7 s', least: '1.0 s' })
  })
  test('1.30 s with 0.30 s is 1.00 s exactly', () => expect(total('1.30', '0.30').one.verdict).toBe('pass'))
  test('a trip in a short test stays a fail', () => {
    expect(total('0.60', '0.30', { termination: 'over-current' }).one.verdict).toBe('fail')
  })
  test('a number beyond the limit in a short test stays a fail', () => {
    const { one } = strength((m) => {
      m.dwell.value = '0.2'
      m.reading.value = '3.1'
    })
    expect([one.verdict, codesOf(one)]).toEqual(['fail', ['above-limit']])
  })
  test('milliseconds are the same time', () => {
    expect(strength((m) => Object.assign(m.dwell, { value: '1000', unit: 'ms' })).one.verdict).toBe('pass')
    expect(strength((m) => Object.assign(m.dwell, { value: '999.999', unit: 'ms' })).one.verdict).toBe('invalid')
  })
})

describe('T09: the voltage that was applied, not the one declared', () => {
  test.each([
    ['1003', '1.6', 'invalid', ['stress-below-plan'], false],
    ['1199.999', '1.6', 'invalid', ['stress-below-plan'], false],
    ['1200', '1.6', 'pass', [], false],
    ['1287.5', '1.6', 'pass', [], false],
    ['1287.501', '2.2', 'pass', ['stress-above-plan'], true],
    ['1985', '2.2', 'pass', ['stress-above-plan'], true],
    ['1985', '3.2', 'fail', ['above-limit', 'stress-above-plan'], true],
    ['1003', '3.2', 'fail', ['above-limit'], false], // Bad at less stress is worse at more.
  ])('%s V and %s mA: %s', (voltage, current, verdict, codes, overStress) => {
    const { run, one } = strength((m) => {
      m.testVoltage.value = voltage
      m.reading.value = current
    })
    expect([one.verdict, codesOf(one), run.overStress]).toEqual([verdict, codes, overStress])
  })
  test('a number beyond the limit, above the planned stress, counts only in a proper test', () => {
    const { one } = strength((m) => {
      m.testVoltage.value = '1985'
      m.reading.value = '3.2'
      m.termination = 'operator-stop'
    })
    expect([one.verdict, codesOf(one)]).toEqual(['invalid', ['operator-stop', 'stress-above-plan']])
  })
})

describe('T10: a low current is no bond test', () => {
  test.each([
    ['0.1', '50', 'invalid'],
    ['9.999', '50', 'invalid'],
    ['9.999', '5000', 'invalid'], // Always: its number says nothing, not even that the bond is bad.
    ['10', '50', 'pass'],
    ['12.1', '50', 'pass'],
  ])('%s A and %s mOhm: %s', (current, value, verdict) => {
    const { one } = bond((_, m) => {
      m.testCurrent.value = current
      m.reading.value = value
    })
    expect(one.verdict).toBe(verdict)
  })
})

describe('T11: a voltage drop is divided by the current measured, exactly', () => {
  const drop = (volts: string, amperes: string, limit: string, offset?: string) =>
    bond(
      (step, m) => {
        m.testCurrent.value = amperes
        m.reading = { quantity: 'voltage-drop', value: volts, unit: 'V' }
        if (offset === undefined) step.leadOffset.subtractedBy = 'station'
        else step.leadOffset.value = offset
      },
      (step) => {
        step.testCurrent = { least: '20', most: '45', unit: 'A' }
        step.limitUpper = { value: limit, unit: 'mOhm', inclusive: true }
      },
    ).one
  test('2.490 V at 24.8 A is 100.403 mOhm', () => {
    const one = drop('2.490', '24.8', '100')
    expect(one.verdict).toBe('fail')
    expect(one.judged).toEqual({ value: '100.403225806', unit: 'mOhm' })
    expect(one.margin).toEqual({ value: '-0.403225806', unit: 'mOhm' })
    expect(codesOf(one)).toEqual(['above-limit', 'voltage-drop-divided'])
  })
  test('3.9 V at 39.0 A is 100 mOhm, on the limit', () => expect(drop('3.9', '39.0', '100').verdict).toBe('pass'))
  test('3.0000000001 V at 30 A is above it, though it is shown as 100', () => {
    expect(drop('3.00000000000001', '30', '100').verdict).toBe('fail')
  })
  test('one third of an ohm compares exactly', () => {
    expect(drop('10', '30', '333.333333333333333333').verdict).toBe('fail')
    expect(drop('10', '30', '333.333333333333333334').verdict).toBe('pass')
  })
  test('the server takes the leads off the quotient', () => {
    const one = drop('4.5', '39', '100', '20')
    expect(one.verdict).toBe('pass')
    expect(one.judged).toEqual({ value: '95.3846153846', unit: 'mOhm' })
  })
  test('a current of nothing divides nothing', () => {
    expect([drop('2', '0', '100').verdict, drop('2', '-25', '100').verdict]).toEqual(['invalid', 'invalid'])
  })
})

describe('T12: the limit of the variant', () => {
  test.each([
    ['EX36-3M', '179.4', 'pass'],
    ['EX36-3M', '179.6', 'fail'],
    ['EX36-5M', '179.6', 'pass'],
    ['EX36-5M', '218.6', 'fail'],
  ])('%s at %s mOhm raw: %s', (variant, value, verdict) => {
    const upload = changedUpload((wire) => {
      withoutStationWords(wire)
      measurement(wire, 'bond').reading.value = value
    })
    expect(
      judge(
        upload,
        compiled(
          changedPlan(() => {}),
          variant,
        ),
      ).verdict,
    ).toBe(verdict)
  })
})

describe('T13: the leads are taken off once', () => {
  const offset = (raw: string, change: (leadOffset: Wire) => void) =>
    bond((step, m) => {
      m.reading.value = raw
      Object.assign(step.leadOffset, { value: '18', takenAt: '2026-03-16T06:02:00+00:00' })
      change(step.leadOffset)
    }).one
  const by = (subtractedBy: string) => (leadOffset: Wire) => Object.assign(leadOffset, { subtractedBy })
  test('by the server', () => {
    const one = offset('95', by('server'))
    expect([one.verdict, one.judged?.value]).toEqual(['pass', '77'])
  })
  test('by the station, and not again', () => {
    const one = offset('77', by('station'))
    expect([one.verdict, one.judged?.value, codesOf(one)]).toEqual(['pass', '77', []])
  })
  test('below zero is invalid', () => {
    const one = offset('12', by('server'))
    expect([one.verdict, codesOf(one)]).toEqual(['invalid', ['net-below-zero', 'lead-offset-subtracted']])
    expect(offset('18', by('server')).verdict).toBe('pass')
    expect(offset('-0.1', by('station')).verdict).toBe('invalid')
  })
  test.each([
    ['2026-03-15T21:14:06.000+00:00', 'pass', []],
    ['2026-03-15T21:14:05.999+00:00', 'invalid', ['lead-offset-old']],
    ['2026-03-16T09:14:06.001+00:00', 'invalid', ['lead-offset-taken-later']],
  ])('taken at %s: %s', (takenAt, verdict, codes) => {
    const one = offset('95', (leadOffset) => Object.assign(leadOffset, { takenAt }))
    expect([one.verdict, codesOf(one)]).toEqual([verdict, [...codes, 'lead-offset-subtracted']])
  })
  test.each([
    ['30', 'pass'],
    ['30.001', 'invalid'],
  ])('%s mOhm of leads: %s', (value, verdict) => {
    expect(offset('95', (leadOffset) => Object.assign(leadOffset, { value })).verdict).toBe(verdict)
  })
  test('without a number there is nothing to take off', () => {
    const one = offset('95', (leadOffset) => Object.assign(leadOffset, { value: '' }))
    expect([one.verdict, codesOf(one)]).toEqual(['invalid', ['lead-offset-missing']])
  })
})

describe('T15: detector and every condition', () => {
  const touch = (values: (string | undefined)[], detector: string) =>
    judged(
      (wire) => {
        const step = stepIn(wire, 'touch')
        for (const [index, value] of values.entries()) {
          step.measurements[index].reading = { quantity: 'current', detector, value, unit: 'mA' }
        }
        step.measurements = step.measurements.filter((_: Wire, index: number) => values[index] !== undefined)
      },
      (wire) =>
        Object.assign(stepIn(wire, 'touch'), {
          detector: 'peak',
          limitUpper: { value: '0.70', unit: 'mA', inclusive: true },
        }),
    ).steps[3]
  test('a condition missing leaves the step incomplete', () => {
    const step = touch(['0.41', '0.52', '0.44', undefined], 'peak')
    expect(step?.verdict).toBe('incomplete')
    expect(step?.measurements[3]).toEqual({
      measurement: 'reversed-open',
      verdict: 'incomplete',
      reasons: [{ code: 'measurement-missing', facts: {} }],
    })
  })
  test('the worst condition decides', () =>
    expect(touch(['0.41', '0.52', '0.44', '0.74'], 'peak')?.verdict).toBe('fail'))
  test('another detector is invalid, below the limit or above it', () => {
    expect(touch(['0.30', '0.37', '0.31', '0.48'], 'rms')?.verdict).toBe('invalid')
    expect(touch(['0.30', '0.37', '0.31', '0.90'], 'rms')?.verdict).toBe('invalid')
  })
})

describe('T17: equal quantities in other units', () => {
  test.each([
    ['1.74', 'mA'],
    ['0.00174', 'A'],
    ['1740', 'uA'],
    ['1740', '\u00b5A'],
    ['1740', '\u03bcA'],
  ])('%s %s is judged alike', (value, unit) => {
    const { one } = strength((m) => Object.assign(m.reading, { value, unit }))
    expect(one).toEqual(strength(() => {}).one)
  })
  test('kV and V', () => {
    expect(strength((m) => Object.assign(m.testVoltage, { value: '1.2', unit: 'kV' })).one.verdict).toBe('pass')
    expect(strength((m) => Object.assign(m.testVoltage, { value: '1.1999', unit: 'kV' })).one.verdict).toBe('invalid')
  })
})

describe('T22: on the limit after subtraction', () => {
  test('330 mOhm less 30 mOhm of leads is 0.300 Ohm', () => {
    const limit = (inclusive: boolean) =>
      bond(
        (step, m) => {
          m.reading.value = '330'
          step.leadOffset.value = '30'
        },
        (step) => {
          step.limitUpper = { value: '0.300', unit: 'Ohm', inclusive }
        },
      ).one
    expect([limit(true).verdict, limit(false).verdict]).toEqual(['pass', 'fail'])
    expect(limit(false).margin).toEqual({ value: '0', unit: 'Ohm' })
  })
})
