import { describe, expect, test } from 'vitest'
import { terminations } from '../../src/judging/words.ts'
import { codesOf, judged, measurementOfRun, stepIn, type Wire } from './aldermoor.ts'

const at = (wire: Wire, step: string, index = 0): Wire => stepIn(wire, step).measurements[index]
const outcome = (
  step: string,
  measurement: string,
  change: (wire: Wire) => void,
  changePlan: (wire: Wire) => void = () => {},
): [string, string[]] => {
  const one = measurementOfRun(judged(change, changePlan), step, measurement)
  return [one.verdict, codesOf(one).filter((code) => code !== 'lead-offset-subtracted')]
}
const strength = (change: (measurement: Wire) => void, changePlan?: (wire: Wire) => void) =>
  outcome('strength', 'live-to-earth', (wire) => change(at(wire, 'strength')), changePlan)
const insulation = (change: (measurement: Wire) => void, changePlan?: (wire: Wire) => void) =>
  outcome('insulation', 'live-to-earth', (wire) => change(at(wire, 'insulation')), changePlan)

describe('how a measurement ended', () => {
  const proper = ['completed', 'ended-early']
  const trips = ['over-current', 'breakdown', 'arc']
  test.each(terminations)('%s with a good number', (termination) => {
    const found = strength((m) => {
      m.termination = termination
    })
    if (proper.includes(termination)) expect(found).toEqual(['pass', []])
    else expect(found).toEqual([trips.includes(termination) ? 'fail' : 'invalid', [termination]])
  })
  test.each(terminations)('%s with a number beyond the limit fails', (termination) => {
    const [verdict] = strength((m) => {
      m.termination = termination
      m.reading.value = '3.1'
    })
    expect(verdict).toBe('fail')
  })
  test('stopped without any stress measured, the number alone can still be bad', () => {
    const stopped = (value: string) =>
      strength((m) => {
        for (const stress of ['testVoltage', 'frequency', 'rampUp', 'dwell', 'highestInRamp']) delete m[stress]
        m.termination = 'operator-stop'
        m.reading.value = value
      })
    expect(stopped('3.1')).toEqual(['fail', ['above-limit']])
    expect(stopped('1.7')).toEqual(['invalid', ['operator-stop']])
  })
})

describe('no reading', () => {
  test.each([
    ['absent', (m: Wire) => delete m.reading],
    ['null', (m: Wire) => Object.assign(m.reading, { value: null })],
    ['empty', (m: Wire) => Object.assign(m.reading, { value: '' })],
    ['without a value', (m: Wire) => delete m.reading.value],
  ])('%s is invalid, never zero', (_, change) => {
    expect(strength(change)).toEqual(['invalid', ['no-reading']])
  })
  test('the highest current in the ramp can fail it all the same', () => {
    const found = strength((m) => {
      m.reading.value = ''
      m.highestInRamp.value = '3.01'
    })
    expect(found).toEqual(['fail', ['above-limit-in-ramp']])
  })
})

describe('stress', () => {
  test.each(['testVoltage', 'frequency', 'rampUp', 'dwell', 'highestInRamp'])('%s without a number', (name) => {
    const found = strength((m) => Object.assign(m[name], { value: '' }))
    expect(found).toEqual(['invalid', ['stress-not-measured']])
  })
  test('said on the step it holds for the measurement, whose own word counts', () => {
    const onStep = (value: string, own?: string) =>
      outcome('strength', 'live-to-earth', (wire) => {
        stepIn(wire, 'strength').testVoltage = { value, unit: 'V' }
        if (own === undefined) delete at(wire, 'strength').testVoltage
        else at(wire, 'strength').testVoltage = { value: own, unit: 'V' }
      })
    expect(onStep('1250')).toEqual(['pass', []])
    expect(onStep('1000')).toEqual(['invalid', ['stress-below-plan']])
    expect(onStep('1000', '1250')).toEqual(['pass', []])
  })
  test.each([
    ['>', '1250', 'invalid', ['stress-not-shown']],
    ['>', '1287.5', 'pass', ['stress-above-plan']],
    ['<', '1250', 'invalid', ['stress-not-shown']],
    ['<', '1200', 'invalid', ['stress-below-plan']],
  ])('a voltage of %s%s V: %s', (relation, value, verdict, codes) => {
    expect(strength((m) => Object.assign(m.testVoltage, { relation, value }))).toEqual([verdict, codes])
  })
  test('a time known only as more than the least is long enough, where no most is planned', () => {
    expect(strength((m) => Object.assign(m.dwell, { relation: '>', value: '1.0' }))).toEqual(['pass', []])
  })
  test.each([
    ['48.9', 'invalid', ['stress-below-plan']],
    ['49', 'pass', []],
    ['51', 'pass', []],
    ['51.1', 'pass', ['stress-above-plan']],
  ])('%s Hz: %s', (value, verdict, codes) => {
    expect(strength((m) => Object.assign(m.frequency, { value }))).toEqual([verdict, codes])
  })
  test('a window that only sets a value accepts that value alone', () => {
    const setOnly = (value: string) =>
      strength(
        (m) => Object.assign(m.rampUp, { value }),
        (wire) => {
          stepIn(wire, 'strength').rampUp = { set: '1.0', unit: 's' }
        },
      )
    expect(setOnly('1.00')).toEqual(['pass', []])
    expect(setOnly('0.99')).toEqual(['invalid', ['stress-below-plan']])
    expect(setOnly('1.01')).toEqual(['pass', ['stress-above-plan']])
  })
  test('a voltage is never accepted below the one set, whatever ends are stated', () => {
    const withMost = (value: string) =>
      strength(
        (m) => Object.assign(m.testVoltage, { value }),
        (wire) => {
          stepIn(wire, 'strength').testVoltage = { set: '1250', most: '1287.5', unit: 'V' }
        },
      )
    expect(withMost('600')).toEqual(['invalid', ['stress-below-plan']])
    expect(withMost('1249')).toEqual(['invalid', ['stress-below-plan']])
    expect(withMost('1250')).toEqual(['pass', []])
    expect(withMost('1288')).toEqual(['pass', ['stress-above-plan']])
  })
  test('a time of rise shown only to be below more than the plan accepts is not shown to be accepted', () => {
    const rise = (value: string) => strength((m) => Object.assign(m.rampUp, { value, relation: '<' }))
    expect(rise('10')).toEqual(['invalid', ['stress-not-shown']])
    expect(rise('5')).toEqual(['pass', []])
  })
  test('of a time at voltage and a total the lesser counts', () => {
    const both = (dwell: object, totalTime: object, rampUp = '1.0') =>
      strength((m) =>
        Object.assign(m, {
          dwell: { unit: 's', ...dwell },
          totalTime: { unit: 's', ...totalTime },
          rampUp: { value: rampUp, unit: 's' },
        }),
      )
    expect(both({ value: '1.2' }, { value: '2.2' })).toEqual(['pass', []])
    expect(both({ value: '1.2' }, { value: '1.9' })).toEqual(['invalid', ['stress-below-plan']])
    expect(both({ value: '0.9' }, { value: '60' })).toEqual(['invalid', ['stress-below-plan']])
    expect(both({ value: '60', relation: '>' }, { value: '1.9' })).toEqual(['invalid', ['stress-below-plan']])
    expect(both({ value: '1.2' }, { value: '' })).toEqual(['pass', []])
    expect(both({ value: '' }, { value: '60' })).toEqual(['invalid', ['stress-not-measured']])
  })
})

describe('the current in the ramp', () => {
  const ramp = (value: string, limitInRamp = true, relation = '=') =>
    strength(
      (m) => Object.assign(m.highestInRamp, { value, relation }),
      (wire) => {
        stepIn(wire, 'strength').limitInRamp = limitInRamp
      },
    )
  test('beyond the limit it fails, where the limit holds in the ramp', () => {
    expect(ramp('3.0')).toEqual(['pass', []])
    expect(ramp('3.01')).toEqual(['fail', ['above-limit-in-ramp']])
    expect(ramp('3.01', false)).toEqual(['pass', []])
  })
  test('a bound below the limit may still be beyond it', () => {
    expect(ramp('2', true, '>')).toEqual(['inconclusive', ['limit-undecided']])
    expect(ramp('3', true, '>')).toEqual(['fail', ['above-limit-in-ramp']])
  })
  test('below zero it is no reading, where the limit holds in the ramp', () => {
    expect(ramp('-0.1')).toEqual(['invalid', ['reading-below-zero']])
    expect(ramp('0', true, '<')).toEqual(['invalid', ['reading-below-zero']])
    expect(ramp('0')).toEqual(['pass', []])
    expect(ramp('-0.1', false)).toEqual(['pass', []])
  })
  test('above the planned voltage it fails too, and the run is held', () => {
    const run = judged((wire) => {
      at(wire, 'strength').testVoltage.value = '1300'
      at(wire, 'strength').highestInRamp.value = '3.01'
    })
    expect([run.verdict, run.overStress]).toEqual(['fail', true])
  })
})

describe('insulation', () => {
  test.each([
    ['60', 'pass', []],
    ['60.1', 'invalid', ['residual-voltage-high']],
    ['-60.1', 'invalid', ['residual-voltage-high']],
    ['', 'invalid', ['stress-not-measured']],
  ])('a residual voltage of %s V: %s', (value, verdict, codes) => {
    expect(insulation((m) => Object.assign(m.residualVoltage, { value }))).toEqual([verdict, codes])
  })
  test.each([
    ['<', '100', 'invalid', ['stress-not-shown']],
    ['<', '60', 'pass', []],
    ['>', '20', 'invalid', ['stress-not-shown']],
    ['>', '-100', 'invalid', ['stress-not-shown']],
    ['>', '-60', 'pass', []],
  ])('a residual voltage %s %s V: %s', (relation, value, verdict, codes) => {
    expect(insulation((m) => Object.assign(m.residualVoltage, { value, relation }))).toEqual([verdict, codes])
  })
  test('read too early, it is invalid; too low, it fails whenever it was read', () => {
    expect(insulation((m) => Object.assign(m.readAt, { value: '4.99' }))).toEqual(['invalid', ['stress-below-plan']])
    const low = (m: Wire) => {
      m.readAt.value = '4.99'
      m.reading = { quantity: 'resistance', value: '1.99', unit: 'MOhm' }
    }
    expect(insulation(low)).toEqual(['fail', ['below-limit']])
  })
  test('it may end early on a good number only where the plan says so', () => {
    const early = (endEarlyOnPass: boolean, termination: string) =>
      insulation(
        (m) => {
          m.termination = termination
          m.readAt.value = '1.2'
        },
        (wire) => {
          stepIn(wire, 'insulation').endEarlyOnPass = endEarlyOnPass
        },
      )
    expect(early(true, 'ended-early')).toEqual(['pass', []])
    expect(early(true, 'completed')).toEqual(['invalid', ['stress-below-plan']])
    expect(early(false, 'ended-early')).toEqual(['invalid', ['stress-below-plan']])
  })
  test('a number below zero fails as beyond its limit', () => {
    expect(insulation((m) => Object.assign(m.reading, { value: '-1', relation: '=' }))).toEqual([
      'fail',
      ['below-limit'],
    ])
  })
})

describe('contact', () => {
  const proven = (change: (strength: Wire) => void) =>
    outcome('insulation', 'live-to-earth', (wire) => change(at(wire, 'strength')))
  test.each([
    ['a number at its own minimum', (m: Wire) => Object.assign(m.reading, { value: '0.65' }), 'pass'],
    ['a number below its own minimum', (m: Wire) => Object.assign(m.reading, { value: '0.64' }), 'invalid'],
    ['no number', (m: Wire) => delete m.reading, 'invalid'],
    ['a breakdown', (m: Wire) => Object.assign(m, { termination: 'breakdown', reading: undefined }), 'pass'],
    ['an over-current', (m: Wire) => Object.assign(m, { termination: 'over-current', reading: undefined }), 'pass'],
    ['another detector', (m: Wire) => Object.assign(m.reading, { detector: 'peak' }), 'invalid'],
    ['a bound that may be less', (m: Wire) => Object.assign(m.reading, { value: '2', relation: '<' }), 'invalid'],
  ])('by %s: %s', (_, change, verdict) => {
    expect(proven(change)).toEqual([verdict, verdict === 'pass' ? [] : ['contact-not-proven']])
  })
  test('not by a step that was not run', () => {
    const found = outcome('insulation', 'live-to-earth', (wire) => {
      wire.steps = wire.steps.filter((step: Wire) => step.step !== 'strength')
    })
    expect(found).toEqual(['invalid', ['contact-not-proven']])
  })
  test('by every measurement of the step, where none has the same key', () => {
    const byTouch = (open?: number) =>
      outcome(
        'insulation',
        'live-to-earth',
        (wire) => {
          if (open !== undefined) at(wire, 'touch', open).reading.value = '0.01'
        },
        (wire) => {
          stepIn(wire, 'insulation').contactProvenBy = 'touch'
        },
      )
    expect(byTouch()).toEqual(['pass', []])
    expect(byTouch(2)).toEqual(['invalid', ['contact-not-proven']])
  })
})

describe('network and limits of single measurements', () => {
  test('another network is invalid, also above the limit', () => {
    const used = (network: string, value: string) =>
      outcome('touch', 'normal-open', (wire) => {
        stepIn(wire, 'touch').network = network
        at(wire, 'touch', 1).reading.value = value
      })
    expect(used('iec-60990-figure-5', '0.34')).toEqual(['invalid', ['network-mismatch']])
    expect(used('iec-60990-figure-5', '0.9')).toEqual(['invalid', ['network-mismatch']])
  })
  test('a measurement that says its own limit has that one', () => {
    const touch = (measurement: string) =>
      outcome(
        'touch',
        measurement,
        () => {},
        (wire) => {
          at(wire, 'touch', 1).limitUpper = { value: '0.3', unit: 'mA', inclusive: true }
        },
      )
    expect(touch('normal-open')).toEqual(['fail', ['above-limit']])
    expect(touch('reversed-open')).toEqual(['pass', []])
  })
  test('a current below zero is no proper number', () => {
    const found = outcome(
      'touch',
      'normal-open',
      (wire) => {
        at(wire, 'touch', 1).reading.value = '-0.1'
      },
      (wire) => {
        delete stepIn(wire, 'touch').openLeadMinimum
      },
    )
    expect(found).toEqual(['invalid', ['reading-below-zero']])
  })
})
