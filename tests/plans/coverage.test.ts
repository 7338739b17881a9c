import { describe, expect, test } from 'vitest'
import type { Finding } from '../../src/plans/findings.ts'
import { planWire } from '../support/aldermoor.ts'
import { bondTable, type Changes, check, confirmed, published } from './aldermoor.ts'

/** A finding in short: what, for which variant, step, measurement, parameter. */
function told({ severity, code, variant, step, measurement, parameter }: Finding): string {
  return [severity, code, variant ?? '-', step ?? '-', measurement ?? '-', parameter ?? '-'].join(' ')
}

function codes(code: string, given: Parameters<typeof check>[0]): string[] {
  const { findings, silent } = check(given)
  return [...findings, ...silent].filter((one) => one.code === code).map(told)
}

/** A table about the plan as a whole: which kinds of step must be there, one of each list. */
function stepsTable(kinds: string) {
  return published(
    {},
    {
      '/table': 'programme',
      '/subject': 'plan',
      '/overrides': undefined,
      '/appliesWhen': undefined,
      '/inputs': [],
      '/outputs': [{ parameter: 'stepPresent', relation: 'in' }],
      '/rows': [{ row: 'p', when: [], then: [kinds] }],
      '/sources/0/rows': ['p'],
    },
  )
}

describe('a step that no table in effect applies to', () => {
  test('is named once, as long as that is so', () => {
    const tables = [published(), bondTable('10', { effectiveFrom: 500, rulesVersion: 3 })]
    expect(check({ tables }).silent.map((one) => [told(one), one.from, one.until])).toEqual([
      ['warning rules-silent - bond - -', 100, 500],
      ['warning rules-silent - insulation - -', 100, null],
      ['warning rules-silent - touch - -', 100, null],
    ])
  })

  test('is told by measurement and variant where some are spoken of', () => {
    const only = (cell: string, attribute: string) =>
      bondTable('10', { rulesVersion: 3 }, { '/appliesWhen': { [attribute]: cell } })
    const changes = { '/steps/0/measurements/1/method': 'four-wire', '/steps/0/measurements/1/leadOffset': null }
    const ofBond = (cell: string, attribute: string) =>
      codes('rules-silent', { changes, tables: [published(), only(cell, attribute)] }).filter((one) =>
        one.includes(' bond '),
      )
    expect(ofBond('"EX36-3M"', 'variant')).toEqual(['warning rules-silent EX36-5M bond - -'])
    expect(ofBond('"two-wire"', 'method')).toEqual(['warning rules-silent - bond hose-collar -'])
    expect(ofBond('"EX36-3M","EX36-5M"', 'variant')).toEqual([])
  })

  test('is not called silent by an edition that cannot be read, which may speak of it', () => {
    expect(check({ tables: [{ ...published(), compiled: null }] }).silent).toEqual([])
  })
})

describe('a stress without a most', () => {
  const open = (changes: Changes) => codes('window-open-above', { changes })
  test.each<[string, Changes, string[]]>([
    [
      'a voltage',
      { '/steps/1/testVoltage': { set: '1250', least: '1200', unit: 'V' } },
      ['warning window-open-above - strength - testVoltage'],
    ],
    [
      'a voltage that only has a least',
      { '/steps/1/testVoltage': { least: '1200', unit: 'V' } },
      ['warning window-open-above - strength - testVoltage'],
    ],
    [
      'the current of one measurement',
      { '/steps/0/measurements/1/testCurrent': { least: '10', unit: 'A' } },
      ['warning window-open-above - bond hose-collar testCurrent'],
    ],
    [
      'a supply voltage',
      { '/steps/3/supplyVoltage': { least: '243.8', unit: 'V' } },
      ['warning window-open-above - touch - supplyVoltage'],
    ],
    ['a value set alone', { '/steps/1/testVoltage': { set: '1250', unit: 'V' } }, []],
    ['times', { '/steps/1/dwell': { least: '1', unit: 's' }, '/steps/2/readAt': { least: '5', unit: 's' } }, []],
  ])('%s', (_, changes, expected) => {
    expect(open(changes)).toEqual(expected)
  })
})

describe('bonding', () => {
  const { after: _, ...insulation } = planWire.steps[2] as Record<string, unknown>
  const unbonded: Changes = { '/steps': [{ ...insulation, after: [], contactProvenBy: null }] }
  const classes = (...ofVariants: (string | undefined)[]) => [
    confirmed(
      { digest: planWire.productDigest },
      Object.fromEntries(ofVariants.map((one, index) => [`/variants/${index}/attributes/protectionClass`, one])),
    ),
  ]

  test('that an earthed product lacks is told, variant by variant', () => {
    expect(codes('bond-missing', { changes: unbonded })).toEqual([
      'warning bond-missing EX36-3M - - -',
      'warning bond-missing EX36-5M - - -',
    ])
    expect(codes('bond-missing', { changes: unbonded, versions: classes('II', '0I') })).toEqual([
      'warning bond-missing EX36-5M - - -',
    ])
    expect(codes('bond-missing', { changes: unbonded, versions: classes('II', 'III') })).toEqual([])
    expect(codes('bond-missing', {})).toEqual([])
  })

  test('that a rule demands is not told twice', () => {
    const demanded = { changes: unbonded, tables: [stepsTable('"protective-bonding"')] }
    expect(codes('bond-missing', demanded)).toEqual([])
    expect(check(demanded).findings).toContainEqual(
      expect.objectContaining({ severity: 'blocking', code: 'requirement-not-met', parameter: 'stepPresent' }),
    )
    // Another step meets this rule, so nobody else says that bonding is missing.
    const either = { changes: unbonded, tables: [stepsTable('"protective-bonding","insulation-resistance"')] }
    expect(codes('bond-missing', either)).toHaveLength(2)
  })

  test('that leaves out an earthed part is told with the part', () => {
    const parts = ['motor-housing', 'hose-collar', 'cable-reel']
    const versions = [confirmed({ digest: planWire.productDigest }, { '/attributes/earthedParts': parts })]
    const { findings, verdict } = check({ versions })
    expect([verdict, ...findings.map((one) => [told(one), one.facts])]).toEqual([
      'conforms',
      ['warning earthed-part-not-tested - - - -', { part: 'cable-reel' }],
    ])
    expect(codes('earthed-part-not-tested', { changes: unbonded, versions })).toEqual([])
  })
})

describe('a table that overrides another', () => {
  const special = (changes: Changes = {}) =>
    bondTable(
      '20',
      { rulesVersion: 3 },
      { '/appliesWhen': { protectionClass: '"I"' }, '/table': 'special', ...changes },
    )
  const general = (changes: Changes = {}) =>
    bondTable(
      '10',
      { rulesVersion: 4 },
      {
        '/table': 'general',
        '/appliesWhen': undefined,
        '/overrides': [{ table: 'special', parameter: 'testCurrent', reason: 'one current for all' }],
        ...changes,
      },
    )

  test('and is less specific takes the demand out, and that is told', () => {
    const { verdict, findings } = check({ tables: [special(), general()] })
    expect([verdict, ...findings.map((one) => [told(one), one.table, one.edition, one.facts])]).toEqual([
      'conforms',
      ...['EX36-3M', 'EX36-5M'].map((variant) => [
        `warning parameter-overridden ${variant} bond - testCurrent`,
        'special',
        3,
        { by: 'general/3', reason: 'one current for all' },
      ]),
    ])
  })

  test('and is as specific, or takes out what is not there, does so in silence', () => {
    const conditional = general({ '/appliesWhen': { phases: '1' } })
    expect(codes('parameter-overridden', { tables: [special(), conditional] })).toEqual([])
    const elsewhere = general({ '/overrides/0/parameter': 'dwell' })
    expect(codes('parameter-overridden', { tables: [special(), elsewhere] })).toEqual([])
    expect(codes('parameter-overridden', { tables: [bondTable('5', { rulesVersion: 3 }), general()] })).toEqual([])
  })
})

describe('a large plan that meets nothing', () => {
  const variants = Array.from({ length: 40 }, (_, index) => ({ variant: `EX36-${index}` }))
  const versions = [confirmed({ digest: planWire.productDigest }, { '/variants': variants })]
  const changes: Changes = {
    '/steps': Array.from({ length: 60 }, (_, index) => ({
      ...planWire.steps[0],
      step: `bond-${index}`,
      after: [],
      limitUpper: { value: '158.5', unit: 'mOhm', inclusive: true },
      measurements: [planWire.steps[0]?.measurements[0]],
    })),
  }
  const table = (bindsBecause: string | undefined, least = '25') => bondTable(least, { bindsBecause })
  const counted = (tables: ReturnType<typeof table>[]) => {
    const { verdict, findings } = check({ changes, versions, tables })
    const count = (code: string) => findings.filter((one) => one.code === code).length
    return [verdict, count('requirement-not-met'), count('findings-left-out')]
  }

  test('is told so many findings, and that there are more', () => {
    expect(counted([table('house rule')])).toEqual(['blocked', 2_000, 1])
    expect(counted([table(undefined)])).toEqual(['conforms', 2_000, 1])
    expect(counted([table('house rule', '10')])).toEqual(['conforms', 0, 0])
  })

  test('is blocked by what only comes after them', () => {
    const last = bondTable('25', {}, { '/table': 'z', '/appliesWhen': { variant: '"EX36-39"' } })
    expect(counted([table(undefined), last])).toEqual(['blocked', 2_001, 1])
  })
})
