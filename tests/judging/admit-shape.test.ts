import { describe, expect, test } from 'vitest'
import { checkShape, checkTimes } from '../../src/judging/admit-shape.ts'
import { changedPlan, changedUpload, compiled, stepIn, type Wire } from './aldermoor.ts'

/** Code and pointer of everything that is wrong with the example after a change. */
const refused = (change: (wire: Wire) => void, changePlan: (wire: Wire) => void = () => {}) => {
  const upload = changedUpload(change)
  const codes = [...checkTimes(upload, ''), ...checkShape(upload, compiled(changedPlan(changePlan)), '')]
  return codes.map(({ code, pointer }) => `${code} ${pointer}`)
}
const first = (wire: Wire, step: string): Wire => stepIn(wire, step).measurements[0]

test('the example has the shape of its revision', () => expect(refused(() => {})).toEqual([]))

test('pointers begin at the root that is given', () => {
  const upload = changedUpload((wire) => Object.assign(wire.steps[2], { step: 'nap' }))
  expect(checkShape(upload, compiled(), '/runs/7').map(({ pointer }) => pointer)).toEqual(['/runs/7/steps/2/step'])
})

describe('times', () => {
  test.each<[string, (wire: Wire) => void, string[]]>([
    [
      'the run ends before it starts',
      (wire) => Object.assign(wire, { endedAt: '2026-03-16T09:14:05.119Z', steps: [] }),
      ['field-invalid /endedAt'],
    ],
    [
      'a step ends before it starts',
      (wire) => Object.assign(wire.steps[1], { endedAt: '2026-03-16T09:14:13.999Z' }),
      ['field-invalid /steps/1/endedAt'],
    ],
    [
      'a step starts before the run',
      (wire) => Object.assign(wire.steps[0], { startedAt: '2026-03-16T09:14:05.119Z' }),
      ['field-invalid /steps/0/startedAt'],
    ],
    [
      'a step ends after the run',
      (wire) => Object.assign(wire.steps[3], { endedAt: '2026-03-16T09:14:39.201Z' }),
      ['field-invalid /steps/3/endedAt'],
    ],
  ])('%s', (_, change, expected) => expect(refused(change)).toEqual(expected))
  test('touching ends are nested', () => {
    const touching = (wire: Wire) => {
      wire.steps[0].startedAt = wire.startedAt
      wire.steps[3].endedAt = wire.endedAt
    }
    expect(refused(touching)).toEqual([])
  })
})

describe('steps and measurements', () => {
  test.each<[string, (wire: Wire) => void, string[]]>([
    ['an unplanned step', (wire) => Object.assign(wire.steps[3], { step: 'nap' }), ['field-invalid /steps/3/step']],
    ['a step twice', (wire) => wire.steps.push(wire.steps[0]), ['field-invalid /steps/4/step']],
    [
      'an unplanned measurement',
      (wire) => Object.assign(first(wire, 'bond'), { measurement: 'handle' }),
      ['field-invalid /steps/0/measurements/0/measurement'],
    ],
    [
      'a measurement twice',
      (wire) => stepIn(wire, 'touch').measurements.push(first(wire, 'touch')),
      ['field-invalid /steps/3/measurements/4/measurement'],
    ],
  ])('%s', (_, change, expected) => expect(refused(change)).toEqual(expected))
})

describe('dimensions and quantities', () => {
  test.each<[string, (wire: Wire) => void, string[]]>([
    [
      'a bond in volts',
      (wire) => Object.assign(first(wire, 'bond').reading, { unit: 'V' }),
      ['field-invalid /steps/0/measurements/0/reading/unit'],
    ],
    [
      'a current of a bond',
      (wire) => Object.assign(first(wire, 'bond').reading, { quantity: 'current', unit: 'mA', detector: 'rms' }),
      ['field-invalid /steps/0/measurements/0/reading/quantity'],
    ],
    [
      'a voltage drop of insulation',
      (wire) => Object.assign(first(wire, 'insulation').reading, { quantity: 'voltage-drop', unit: 'V' }),
      ['field-invalid /steps/2/measurements/0/reading/quantity'],
    ],
    [
      'a dwell in volts',
      (wire) => Object.assign(first(wire, 'bond').dwell, { unit: 'V' }),
      ['field-invalid /steps/0/measurements/0/dwell/unit'],
    ],
    [
      'a supply in amperes',
      (wire) => Object.assign(stepIn(wire, 'touch').supplyVoltage, { unit: 'A' }),
      ['field-invalid /steps/3/supplyVoltage/unit'],
    ],
    [
      'a time below zero',
      (wire) => Object.assign(first(wire, 'strength').rampUp, { value: '-1' }),
      ['field-invalid /steps/1/measurements/0/rampUp/value'],
    ],
    [
      'a current without a detector',
      (wire) => {
        delete first(wire, 'strength').reading.detector
      },
      ['field-invalid /steps/1/measurements/0/reading/detector'],
    ],
    [
      'leads in seconds',
      (wire) => Object.assign(stepIn(wire, 'bond').leadOffset, { unit: 's' }),
      ['field-invalid /steps/0/leadOffset/unit'],
    ],
  ])('%s', (_, change, expected) => expect(refused(change)).toEqual(expected))
})

describe('what must be measured', () => {
  const needed: [string, string, string][] = [
    ['bond', 'testCurrent', 'field-invalid /steps/0/measurements/0/testCurrent'],
    ['bond', 'dwell', 'field-invalid /steps/0/measurements/0/dwell'],
    ['strength', 'testVoltage', 'field-invalid /steps/1/measurements/0/testVoltage'],
    ['strength', 'frequency', 'frequency-missing /steps/1/measurements/0/frequency'],
    ['strength', 'rampUp', 'field-invalid /steps/1/measurements/0/rampUp'],
    ['strength', 'dwell', 'field-invalid /steps/1/measurements/0/dwell'],
    ['strength', 'highestInRamp', 'field-invalid /steps/1/measurements/0/highestInRamp'],
    ['insulation', 'testVoltage', 'field-invalid /steps/2/measurements/0/testVoltage'],
    ['insulation', 'readAt', 'field-invalid /steps/2/measurements/0/readAt'],
    ['insulation', 'residualVoltage', 'field-invalid /steps/2/measurements/0/residualVoltage'],
  ]
  test.each(needed)('%s without %s', (step, member, expected) => {
    const without = (termination: string) =>
      refused((wire) => {
        delete first(wire, step)[member]
        first(wire, step).termination = termination
      })
    expect(without('completed')).toEqual([expected])
    expect(without('ended-early')).toEqual([expected])
    // It came to no proper end: what was not measured is no mistake of the sender.
    expect(without('operator-stop')).toEqual([])
    expect(without('breakdown')).toEqual([])
  })
  test.each(needed)(
    '%s with %s present and without a value is a reading that is missing, not a field',
    (step, member) => {
      expect(refused((wire) => Object.assign(first(wire, step)[member], { value: '' }))).toEqual([])
    },
  )
  test('common stress may stand on the step', () => {
    const moved = (wire: Wire) => {
      stepIn(wire, 'strength').frequency = first(wire, 'strength').frequency
      delete first(wire, 'strength').frequency
    }
    expect(refused(moved)).toEqual([])
    const gone = (wire: Wire) => {
      delete stepIn(wire, 'touch').frequency
    }
    expect(refused(gone)).toEqual(
      [0, 1, 2, 3].map((index) => `frequency-missing /steps/3/measurements/${index}/frequency`),
    )
  })
  test('the total time stands in for the dwell, with the ramp', () => {
    const total = (ramp: boolean) =>
      refused((wire) => {
        const measurement = first(wire, 'strength')
        delete measurement.dwell
        if (!ramp) delete measurement.rampUp
        measurement.totalTime = { value: '2.2', unit: 's' }
      })
    expect(total(true)).toEqual([])
    expect(total(false)).toEqual(['field-invalid /steps/1/measurements/0/rampUp'])
  })
  test('the highest current in the ramp only where the limit holds there', () => {
    const without = (wire: Wire) => {
      delete first(wire, 'strength').highestInRamp
    }
    const notInRamp = (wire: Wire) => {
      stepIn(wire, 'strength').limitInRamp = false
    }
    expect(refused(without, notInRamp)).toEqual([])
  })
  test('the network of a touch current', () => {
    const without = (wire: Wire) => {
      delete stepIn(wire, 'touch').network
      for (const index of [0, 1, 3]) stepIn(wire, 'touch').measurements[index].network = 'iec-60990-figure-4'
    }
    expect(refused(without)).toEqual(['field-invalid /steps/3/measurements/2/network'])
  })
  test('the leads of two wires, and of no other step', () => {
    const without = (wire: Wire) => {
      delete stepIn(wire, 'bond').leadOffset
    }
    const fourWire = (wire: Wire) => {
      stepIn(wire, 'bond').method = 'four-wire'
    }
    expect(refused(without)).toEqual(['field-invalid /steps/0/leadOffset'])
    expect(refused(without, fourWire)).toEqual([])
    expect(refused(() => {}, fourWire)).toEqual(['field-invalid /steps/0/leadOffset'])
    const onTouch = (wire: Wire) => {
      stepIn(wire, 'touch').leadOffset = stepIn(wire, 'bond').leadOffset
    }
    expect(refused(onTouch)).toEqual(['field-invalid /steps/3/leadOffset'])
  })
})
