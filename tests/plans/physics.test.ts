import { describe, expect, test } from 'vitest'
import { compare, decimal, formatDecimal, multiply, round } from '../../src/exact/decimal.ts'
import type { Found } from '../../src/plans/findings.ts'
import { capacitiveCurrent, chargingCurrent, checkOrder, checkPhysics } from '../../src/plans/physics.ts'
import { connectionsOf } from '../../src/plans/product-match.ts'
import { settingsOf } from '../../src/plans/words.ts'
import { attributeValues } from '../../src/products/versions.ts'
import { planWire } from '../support/aldermoor.ts'
import { type Changes, plan, product, stepNamed } from './aldermoor.ts'

function subjectOf(productChanges: Changes = {}, variant = 'EX36-3M') {
  const content = product(productChanges)
  return { variant, attributes: attributeValues(content, variant), connections: connectionsOf(content) }
}

function physics(step: string, changes: Changes = {}, productChanges: Changes = {}): Found[] {
  const subject = subjectOf(productChanges)
  return settingsOf(stepNamed(plan(changes), step)).flatMap((settings) => checkPhysics(settings, subject))
}

function codes(findings: readonly Found[]): string[] {
  return findings.map(({ severity, code, parameter }) => `${severity} ${code} ${parameter ?? '-'}`)
}

function milliamperes(frequency: string, nanofarads: string, voltage: string): string {
  const current = capacitiveCurrent(
    decimal(frequency),
    multiply(decimal(nanofarads), decimal('1e-9')),
    decimal(voltage),
  )
  return formatDecimal(round(multiply(current, decimal(1000)), 3))
}

/** The a.c. strength step with other settings and nothing else accepted than them. */
function strengthAt(voltage: string, frequency: string, limit: string): Changes {
  return {
    '/steps/1/testVoltage': { set: voltage, unit: 'V' },
    '/steps/1/frequency': { set: frequency, unit: 'Hz' },
    '/steps/1/limitUpper/value': limit,
  }
}

const { frequency: _, ...withoutFrequency } = planWire.steps[1] as Record<string, unknown>
const dcStep = {
  ...withoutFrequency,
  kind: 'electric-strength-dc',
  detector: 'dc',
  testVoltage: { set: '1700', least: '1650', most: '1800', unit: 'V' },
  rampUp: { set: '1.0', least: '0.5', unit: 's' },
  residualVoltage: { most: '60', unit: 'V' },
}

describe('capacitive current', () => {
  // 2 pi f C U in milliamperes, worked by hand; 4.4 nF with 20 % lies between 3.52 and 5.28 nF.
  test.each([
    ['50', '4.4', '1250', '1.73'],
    ['49', '3.52', '1200', '1.3'],
    ['51', '5.28', '1287.5', '2.18'],
    ['60', '4.4', '1500', '2.49'],
    ['60', '5.28', '1500', '2.99'],
    ['50', '4.4', '1500', '2.07'],
  ])('%s Hz, %s nF, %s V: %s mA', (frequency, capacitance, voltage, expected) => {
    expect(milliamperes(frequency, capacitance, voltage)).toBe(expected)
  })

  test('the worked plan is above its minimum and below limit and trip', () => {
    expect(physics('strength')).toEqual([])
  })

  test('a limit below the greatest current of a sound unit blocks, with the number', () => {
    const findings = physics('strength', strengthAt('1500', '60', '2.0'))
    expect(codes(findings)).toEqual(['blocking expected-current-above-limit limitUpper'])
    expect(findings[0]).toMatchObject({
      step: 'strength',
      measurement: 'live-to-earth',
      variant: 'EX36-3M',
      relation: '>=',
      demanded: { value: '2.99', unit: 'mA' },
      accepted: { value: '2', unit: 'mA' },
      margin: { value: '-0.986', unit: 'mA' },
      facts: {
        currentNominal: '2.49 mA',
        capacitance: '4.4 nF',
        tolerance: '20 %',
        voltage: '1500 V',
        frequency: '60 Hz',
      },
    })
    expect(physics('strength', strengthAt('1500', '60', '3.5'))).toEqual([])
    const atFifty = physics('strength', strengthAt('1500', '50', '2.0'))
    expect(codes(atFifty)).toEqual(['blocking expected-current-above-limit limitUpper'])
    expect(atFifty[0]?.facts['currentNominal']).toBe('2.07 mA')
  })

  test('so does a trip, of its own', () => {
    expect(codes(physics('strength', { '/steps/1/tripCurrent/value': '2.1' }))).toEqual([
      'blocking expected-current-above-limit tripCurrent',
    ])
    expect(physics('strength', { '/steps/1/tripCurrent/value': '2.2' })).toEqual([])
  })

  test('the ends of the windows count, not the values set', () => {
    // At 1250 V and 50 Hz 2.07 mA, at 1287.5 V and 51 Hz 2.18 mA.
    expect(codes(physics('strength', { '/steps/1/limitUpper/value': '2.1' }))).toEqual([
      'blocking expected-current-above-limit limitUpper',
    ])
  })

  test('an open lead minimum above the least current of a sound unit blocks', () => {
    const findings = physics('strength', { '/steps/1/openLeadMinimum/value': '1.31' })
    expect(codes(findings)).toEqual(['blocking open-lead-minimum-above-expected openLeadMinimum'])
    expect(findings[0]).toMatchObject({
      demanded: { value: '1.3', unit: 'mA' },
      accepted: { value: '1.31', unit: 'mA' },
    })
    expect(physics('strength', { '/steps/1/openLeadMinimum/value': '1.30' })).toEqual([])
  })

  test('without a declared capacitance nothing is computed, and the author is told', () => {
    const findings = physics('strength', strengthAt('1500', '60', '0.1'), {
      '/attributes/liveToEarthCapacitance': null,
    })
    expect(codes(findings)).toEqual(['warning expected-current-unknown -'])
    expect(findings[0]?.facts).toEqual({ missing: 'liveToEarthCapacitance' })
  })

  test('without a tolerance the declared value stands alone', () => {
    const none = { '/attributes/capacitanceTolerance': null }
    expect(codes(physics('strength', strengthAt('1500', '60', '2.48'), none))).toHaveLength(1)
    expect(physics('strength', strengthAt('1500', '60', '2.49'), none)).toEqual([])
  })

  test('a window without an upper end leaves it unknown', () => {
    const findings = physics('strength', { '/steps/1/frequency': { least: '49', unit: 'Hz' } })
    expect(findings[0]?.facts).toEqual({ missing: 'frequency' })
  })

  test('flows only from live to earth', () => {
    const apart = { '/attributes/insulations/1': { between: ['live', 'accessible-metal'], insulation: 'double' } }
    const across = { ...strengthAt('1500', '60', '0.7'), '/steps/1/measurements/0/to': ['accessible-metal'] }
    expect(codes(physics('strength', across))).toHaveLength(1)
    expect(physics('strength', across, apart)).toEqual([])
    // Without protective earth the declared capacitance is the one to accessible metal.
    expect(codes(physics('strength', across, { ...apart, '/attributes/protectionClass': 'II' }))).toHaveLength(1)
  })
})

describe('an open lead', () => {
  test('that would pass as the best reading blocks a.c. strength and warns of leakage', () => {
    const unseen = { '/steps/1/openLeadMinimum': null, '/steps/3/openLeadMinimum': null }
    expect(codes(physics('strength', unseen))).toEqual(['blocking open-lead-unseen openLeadMinimum'])
    expect(new Set(codes(physics('touch', unseen)))).toEqual(new Set(['warning open-lead-unseen openLeadMinimum']))
    expect(physics('strength', { ...unseen, '/steps/1/contactProvenBy': 'bond' })).toEqual([])
    expect(physics('touch', unseen, { '/attributes/liveToEarthCapacitance': null })).toEqual([])
  })
})

describe('charging current of a d.c. ramp', () => {
  const charging = (changes: Changes, productChanges: Changes = {}) =>
    physics('strength', { '/steps/1': dcStep, ...changes }, productChanges)

  test('is C U / t: 5.28 nF at 1800 V in 0.5 s is 0.019 mA', () => {
    const current = chargingCurrent(decimal('5.28e-9'), decimal(1800), decimal('0.5'))
    expect(compare(current, decimal('0.000019008'))).toBe(0)
  })

  test('blocks where it reaches limit or trip in the ramp', () => {
    const low = { '/steps/1/openLeadMinimum/value': '0.001', '/steps/1/limitUpper/value': '0.019' }
    const findings = charging(low)
    expect(codes(findings)).toEqual(['blocking charging-current-above-limit limitUpper'])
    expect(findings[0]).toMatchObject({ demanded: { value: '0.019' }, facts: { voltage: '1800 V', rampUp: '0.5 s' } })
    expect(charging({ ...low, '/steps/1/limitUpper/value': '0.019008' })).toEqual([])
    expect(
      codes(charging({ ...low, '/steps/1/limitUpper': { value: '0.019008', unit: 'mA', inclusive: false } })),
    ).toHaveLength(1)
    expect(codes(charging({ '/steps/1/tripCurrent/value': '0.019008' }))).toEqual([
      'blocking charging-current-above-limit tripCurrent',
    ])
  })

  test('is not asked where the ramp is not watched', () => {
    expect(charging({ '/steps/1/limitUpper/value': '0.001', '/steps/1/limitInRamp': false })).toEqual([])
  })

  test('is without bound in no time, and unknown without a time', () => {
    expect(codes(charging({ '/steps/1/rampUp': { set: '0', unit: 's' } }))).toEqual([
      'blocking charging-current-above-limit rampUp',
    ])
    expect(charging({ '/steps/1/rampUp': { most: '2', unit: 's' } })[0]?.facts).toEqual({ missing: 'rampUp' })
    expect(charging({}, { '/attributes/liveToEarthCapacitance': null })[0]?.facts).toEqual({
      missing: 'liveToEarthCapacitance',
    })
  })
})

describe('source of a bond', () => {
  test('must drive the least current through the limit and the leads', () => {
    expect(physics('bond')).toEqual([])
    // 10 A through 158.5 mOhm and 30 mOhm of leads is 1.885 V.
    expect(physics('bond', { '/steps/0/sourceVoltage/most': '1.885' })).toEqual([])
    const findings = physics('bond', { '/steps/0/sourceVoltage/most': '1.88' })
    expect(codes(findings)).toEqual([
      'blocking source-voltage-short sourceVoltage',
      'blocking source-voltage-short sourceVoltage',
    ])
    expect(findings[1]).toMatchObject({
      measurement: 'hose-collar',
      accepted: { value: '1.88', unit: 'V' },
      facts: { current: '10 A', limitUpper: '158.5 mOhm', leads: '30 mOhm' },
    })
    const fourWire = { '/steps/0/method': 'four-wire', '/steps/0/leadOffset': null }
    expect(physics('bond', { ...fourWire, '/steps/0/sourceVoltage/most': '1.585' })).toEqual([])
    expect(physics('bond', { ...fourWire, '/steps/0/sourceVoltage/most': '1.584' })).toHaveLength(2)
  })
})

describe('order of steps', () => {
  const order = (changes: Changes, productChanges: Changes = {}) =>
    codes(checkOrder(plan(changes).steps, subjectOf(productChanges)))

  test('bonding comes before strength in an earthed product', () => {
    expect(order({})).toEqual([])
    expect(order({ '/steps/1/after': [] })).toEqual([
      'blocking bonding-not-before after',
      'warning bonding-not-before after', // The touch current runs after the strength test only.
    ])
    expect(order({ '/steps/3/after': [] })).toEqual(['warning bonding-not-before after'])
  })

  test('through other steps too', () => {
    expect(order({ '/steps/3/after': ['insulation'] })).toEqual([])
  })

  test('a bond that may be left out proves nothing', () => {
    expect(order({ '/steps/0/required': false })[0]).toBe('blocking bonding-not-before after')
  })

  test('a product without protective earth has nothing to bond', () => {
    expect(order({ '/steps/1/after': [] }, { '/attributes/protectionClass': 'II' })).toEqual([])
  })
})

describe('the nearest conforming value', () => {
  test('of a limit, a trip and a minimum that block is one with which nothing does', () => {
    const limit = physics('strength', strengthAt('1500', '60', '2.0'))
    expect(limit[0]?.nearest).toEqual({ value: '2.99', unit: 'mA' })
    expect(physics('strength', strengthAt('1500', '60', '2.99'))).toEqual([])
    const [trip] = physics('strength', { '/steps/1/tripCurrent/value': '2.1' }).slice(-1)
    expect(trip?.nearest).toEqual({ value: '2.18', unit: 'mA' })
    expect(physics('strength', { '/steps/1/tripCurrent/value': '2.18' })).toEqual([])
    const [minimum] = physics('strength', { '/steps/1/openLeadMinimum/value': '1.5' })
    expect(minimum?.nearest).toEqual({ value: '1.3', unit: 'mA' })
    expect(physics('strength', { '/steps/1/openLeadMinimum/value': '1.3' })).toEqual([])
  })
})
