import { expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import { readAttributes } from '../../src/products/attributes.ts'

test('attributes of the published example, numbers in canonical units', () => {
  // The values are invented.
  const { values, refusals } = readAttributes({
    protectionClass: 'I',
    functionalEarth: false,
    phases: 1,
    ratedVoltage: { value: '230', unit: 'V' },
    ratedPower: { value: '1.2', unit: 'kW' },
    liveToEarthCapacitance: { value: '4.4', unit: 'nF' },
    capacitanceTolerance: { value: '20', unit: '%' },
    insulations: [{ between: ['live', 'protective-conductor'], insulation: 'basic' }],
    earthedParts: ['motor-housing', 'hose-collar'],
    earthCoreResistance: null,
  })
  expect(refusals).toEqual([])
  expect(Object.fromEntries(values)).toEqual({
    protectionClass: 'I',
    functionalEarth: false,
    phases: decimal(1),
    ratedVoltage: decimal(230),
    ratedPower: decimal(1200),
    liveToEarthCapacitance: decimal('0.0000000044'),
    capacitanceTolerance: decimal('0.2'),
  })
})

test.each<[name: string, wire: unknown, pointer: string, code: string]>([
  ['colour', 'red', '/colour', 'field-invalid'],
  ['toString', 'x', '/toString', 'field-invalid'],
  ['a/b~', 'x', '/a~1b~0', 'field-invalid'],
  ['protectionClass', 'IV', '/protectionClass', 'field-invalid'],
  ['protectionClass', 1, '/protectionClass', 'field-invalid'],
  ['functionalEarth', 'no', '/functionalEarth', 'field-invalid'],
  ['phases', 2, '/phases', 'field-invalid'],
  ['phases', '1', '/phases', 'field-invalid'],
  ['phases', 1.5, '/phases', 'field-invalid'],
  ['ratedVoltage', '230', '/ratedVoltage', 'field-invalid'],
  ['ratedVoltage', { value: '230' }, '/ratedVoltage/unit', 'unit-missing'],
  ['ratedVoltage', { value: '230', unit: 'KV' }, '/ratedVoltage/unit', 'unit-ambiguous'],
  ['ratedVoltage', { value: '230', unit: 'A' }, '/ratedVoltage/unit', 'field-invalid'],
  ['ratedVoltage', { value: 'NaN', unit: 'V' }, '/ratedVoltage/value', 'not-a-number'],
  ['ratedVoltage', { value: '-230', unit: 'V' }, '/ratedVoltage/value', 'field-invalid'],
  ['ratedVoltage', { value: '230', unit: 'V', relation: '>' }, '/ratedVoltage/relation', 'field-invalid'],
])('%s as %j is refused', (name, wire, pointer, code) => {
  expect(readAttributes({ [name]: wire })).toMatchObject({ refusals: [{ pointer, code }] })
})
