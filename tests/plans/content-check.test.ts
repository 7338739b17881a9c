import { describe, expect, test } from 'vitest'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import { type Changes, plan, product } from './aldermoor.ts'

function pointers(changes: Changes, productChanges: Changes = {}): string[] {
  return checkPlanContent(plan(changes), product(productChanges)).map(({ pointer }) => pointer)
}

describe('content against itself and its product version', () => {
  test('sound content is not refused', () => {
    expect(checkPlanContent(plan(), product())).toEqual([])
  })

  test.each<[string, Changes, string]>([
    ['another product', { '/product': 'EX37' }, '/product'],
    ['another version', { '/productVersion': 4 }, '/productVersion'],
    ['a site twice', { '/sites': ['leeds', 'osaka', 'leeds'] }, '/sites/2'],
    ['a run of no time', { '/runDurationMax/value': '0' }, '/runDurationMax/value'],
    ['a step twice', { '/steps/1/step': 'bond' }, '/steps/1/step'],
    [
      'a measurement twice',
      { '/steps/0/measurements/1/measurement': 'motor-housing' },
      '/steps/0/measurements/1/measurement',
    ],
    ['an unknown step before', { '/steps/1/after': ['bond', 'nothing'] }, '/steps/1/after/1'],
    ['itself before', { '/steps/1/after': ['strength'] }, '/steps/1/after/0'],
    ['a later step before', { '/steps/0/after': ['touch'] }, '/steps/0/after/0'],
    ['a step before twice', { '/steps/1/after': ['bond', 'bond'] }, '/steps/1/after/1'],
    ['an unknown terminal', { '/steps/1/measurements/0/to': ['chassis'] }, '/steps/1/measurements/0/to/0'],
    [
      'an unknown terminal of a touch current',
      { '/steps/3/measurements/0/from': ['knob'] },
      '/steps/3/measurements/0/from/0',
    ],
    [
      'a terminal on both sides',
      { '/steps/0/measurements/1/to': ['hose-collar', 'plug-earth-pin'] },
      '/steps/0/measurements/1/to/1',
    ],
    ['an insulation the product declares otherwise', { '/steps/1/insulation': 'reinforced' }, '/steps/1/insulation'],
    [
      'the same on a measurement',
      { '/steps/1/measurements/0/insulation': 'double' },
      '/steps/1/measurements/0/insulation',
    ],
    ['an insulation not declared', { '/steps/1/measurements/0/to': ['neutral'] }, '/steps/1/insulation'],
    ['an empty window', { '/steps/1/testVoltage': { unit: 'V' } }, '/steps/1/testVoltage'],
    [
      'ends in the wrong order',
      { '/steps/1/testVoltage/least': '1300', '/steps/1/testVoltage/set': null },
      '/steps/1/testVoltage/least',
    ],
    ['a value set below the least', { '/steps/1/dwell/set': '0.9' }, '/steps/1/dwell/set'],
    ['a value set above the most', { '/steps/0/testCurrent/set': '12.1' }, '/steps/0/testCurrent/set'],
    ['a negative time', { '/steps/1/rampUp/set': '-1' }, '/steps/1/rampUp/set'],
    ['a test at no voltage', { '/steps/1/testVoltage/least': '0' }, '/steps/1/testVoltage/least'],
    [
      'a test voltage without a least',
      { '/steps/1/testVoltage': { most: '1287.5', unit: 'V' } },
      '/steps/1/testVoltage/least',
    ],
    ['a time without a least', { '/steps/1/dwell': { most: '2', unit: 's' } }, '/steps/1/dwell/least'],
    ['a window of a measurement', { '/steps/0/measurements/1/dwell': { unit: 's' } }, '/steps/0/measurements/1/dwell'],
    ['no limit', { '/steps/1/limitUpper': { unit: 'mA', inclusive: true } }, '/steps/1/limitUpper/value'],
    ['a limit twice', { '/steps/0/limitUpper/value': '1' }, '/steps/0/limitUpper/byVariant'],
    ['a negative limit', { '/steps/1/limitUpper/value': '-3' }, '/steps/1/limitUpper/value'],
    [
      'a negative limit of a variant',
      { '/steps/0/limitUpper/byVariant/EX36-5M': '-1' },
      '/steps/0/limitUpper/byVariant/EX36-5M',
    ],
    ['a variant left out', { '/steps/0/limitUpper/byVariant/EX36-5M': undefined }, '/steps/0/limitUpper/byVariant'],
    ['a variant unknown', { '/steps/0/limitUpper/byVariant/EX36-9M': '1' }, '/steps/0/limitUpper/byVariant/EX36-9M'],
    ['a formula that cannot be read', { '/steps/0/limitUpper/formula': '100 +' }, '/steps/0/limitUpper/formula'],
    [
      'a formula in another dimension',
      { '/steps/0/limitUpper/formula': 'ratedVoltage' },
      '/steps/0/limitUpper/formula',
    ],
    [
      'limits in the wrong order',
      { '/steps/1/limitLower': { value: '3.1', unit: 'mA', inclusive: true } },
      '/steps/1/limitLower',
    ],
    ['a trip at nothing', { '/steps/1/tripCurrent/value': '0' }, '/steps/1/tripCurrent/value'],
    ['an open lead minimum of nothing', { '/steps/1/openLeadMinimum/value': '0' }, '/steps/1/openLeadMinimum/value'],
    ['an open lead minimum on the limit', { '/steps/1/openLeadMinimum/value': '3' }, '/steps/1/openLeadMinimum'],
    [
      'no open lead minimum',
      { '/steps/1/openLeadMinimum': null, '/steps/2/contactProvenBy': null },
      '/steps/1/openLeadMinimum',
    ],
    ['no lead offset with two wires', { '/steps/0/leadOffset': undefined }, '/steps/0/leadOffset'],
    ['a lead offset with four', { '/steps/0/method': 'four-wire' }, '/steps/0/leadOffset'],
    ['a lead offset of no age', { '/steps/0/leadOffset/ageMax/value': '0' }, '/steps/0/leadOffset/ageMax/value'],
    [
      'residual voltage without a most',
      { '/steps/2/residualVoltage': { least: '1', unit: 'V' } },
      '/steps/2/residualVoltage',
    ],
    ['contact proven by nothing', { '/steps/2/contactProvenBy': 'nothing' }, '/steps/2/contactProvenBy'],
    ['contact proven by a step that sees no lead', { '/steps/2/contactProvenBy': 'bond' }, '/steps/2/contactProvenBy'],
    ['contact proven later', { '/steps/1/contactProvenBy': 'touch' }, '/steps/1/contactProvenBy'],
  ])('refuses %s', (_, changes, pointer) => {
    expect(pointers(changes)).toContain(pointer)
  })

  test('more measurements and variants than can be checked together', () => {
    const variants = (count: number) => ({
      '/variants': Array.from({ length: count }, (_, index) => ({ variant: `EX36-${index}` })),
    })
    const limitUpper = { value: '158.5', unit: 'mOhm', inclusive: true }
    const bonds = (count: number): Changes => ({
      '/steps/0/limitUpper': limitUpper,
      '/steps/0/measurements': Array.from({ length: count }, (_, index) => ({
        measurement: `m${index}`,
        from: ['plug-earth-pin'],
        to: ['motor-housing'],
      })),
    })
    const others = plan()
      .steps.slice(1)
      .reduce((count, { measurements }) => count + measurements.length, 0)
    expect(pointers(bonds(50 - others), variants(100))).toEqual([])
    const [refusal, ...more] = checkPlanContent(plan(bonds(51 - others)), product(variants(100)))
    expect(more).toEqual([])
    expect(refusal?.pointer).toBe('/steps')
    expect(refusal?.detail).toContain('51 measurements, for 100 variants each: at most 5000')
  })

  test('a measurement may say what the step leaves out for the others', () => {
    const minimum = { value: '0.65', unit: 'mA' }
    const changes = { '/steps/1/openLeadMinimum': null, '/steps/2/contactProvenBy': null }
    expect(pointers({ ...changes, '/steps/1/measurements/0/openLeadMinimum': minimum })).toEqual([])
    expect(pointers({ ...changes, '/steps/0/measurements/1/dwell': { least: '3', unit: 's' } })).toEqual([
      '/steps/1/openLeadMinimum',
    ])
  })

  test('what several measurements lack is said once, of the step', () => {
    expect(pointers({ '/steps/0/leadOffset': undefined })).toEqual(['/steps/0/leadOffset'])
  })

  test('a product without variants has one value', () => {
    const one = { '/steps/0/limitUpper': { value: '158.5', unit: 'mOhm', inclusive: true } }
    expect(pointers(one, { '/variants': undefined })).toEqual([])
    expect(pointers({}, { '/variants': undefined })).toContain('/steps/0/limitUpper/byVariant')
  })

  test('lead offset and open lead minimum meet their other neighbours', () => {
    expect(pointers({ '/steps/0/method': 'four-wire', '/steps/0/leadOffset': undefined })).toEqual([])
    expect(pointers({ '/steps/1/openLeadMinimum/value': '2.9999' })).toEqual([])
  })

  test('an earthed part counts as protective conductor, and unearthed metal does not', () => {
    expect(pointers({ '/steps/1/measurements/0/to': ['motor-housing'] })).toEqual([])
    expect(pointers({ '/steps/1/measurements/0/to': ['plug-earth-pin', 'accessible-metal'] })).toEqual([])
    const apart = {
      '/attributes/insulations/1': { between: ['live', 'accessible-metal'], insulation: 'double' },
    }
    // Once for the line, once for the neutral.
    expect(pointers({ '/steps/1/measurements/0/to': ['accessible-metal'] }, apart)).toEqual([
      '/steps/1/insulation',
      '/steps/1/insulation',
    ])
    expect(
      pointers({ '/steps/1/measurements/0/to': ['accessible-metal'], '/steps/1/insulation': 'double' }, apart),
    ).toEqual([])
  })
})
