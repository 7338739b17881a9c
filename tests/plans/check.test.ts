import { describe, expect, test } from 'vitest'
import { demandedFrom } from '../../src/plans/findings.ts'
import type { PublishedTable } from '../../src/plans/rule-timeline.ts'
import { planWire } from '../support/aldermoor.ts'
import { bondTable, brief, type Changes, check, confirmed, published, rows, strength } from './aldermoor.ts'

describe('a revision', () => {
  test('that meets everything conforms, without findings, and cites what applied', () => {
    expect(check()).toEqual({
      verdict: 'conforms',
      findings: [],
      silent: ['bond', 'insulation', 'touch'].map((step) =>
        expect.objectContaining({ severity: 'warning', code: 'rules-silent', step, measurement: null, variant: null }),
      ),
      editions: ['extractor-strength/3'],
      applied: [{ from: 100, until: null, editions: ['extractor-strength/3'] }],
    })
  })

  test('that does not is blocked, with the numbers of the nearest row', () => {
    const { verdict, findings } = check({ changes: strength('1190', '1.0') })
    expect(verdict).toBe('blocked')
    expect(findings).toEqual([
      {
        severity: 'blocking',
        code: 'requirement-not-met',
        from: 100,
        until: null,
        table: 'extractor-strength',
        edition: 3,
        row: 'b4',
        variant: 'EX36-3M',
        step: 'strength',
        measurement: null,
        parameter: 'testVoltage',
        relation: '>=',
        demanded: { value: '1200', unit: 'V' },
        accepted: { least: '1190', most: '1190', unit: 'V' },
        margin: { value: '-10', unit: 'V' },
        nearest: { least: '1200', most: '1200', unit: 'V' },
        facts: { binding: 'stated-reason', source: 'Aldermoor house rule HR-7, 2, 3.1' },
      },
      expect.objectContaining({ variant: 'EX36-5M', margin: { value: '-10', unit: 'V' } }),
    ])
  })

  test('that only an unbinding row speaks against conforms, with a warning', () => {
    const { verdict, findings } = check({
      changes: strength('1190', '1.0'),
      tables: [published({ bindsBecause: undefined })],
    })
    expect(verdict).toBe('conforms')
    expect(findings.map(({ severity }) => severity)).toEqual(['warning', 'warning'])
  })

  test('is not touched by the rule set of another product', () => {
    const others = published({}, { '/ruleSet': 'aldermoor-shredders' })
    const own = bondTable('10')
    const { editions, findings } = check({ tables: [others, own] })
    expect({ editions, findings }).toEqual({ editions: ['bond/3'], findings: [] })
  })

  test('is warned of a rule set that no table in effect belongs to, as long as that is so', () => {
    const only = (tables: PublishedTable[], versions = [confirmed()]) => {
      const { verdict, findings } = check({ tables, versions })
      return [verdict, ...findings.map((one) => `${brief(one)} ${JSON.stringify(one.facts)}`)]
    }
    const facts = (ruleSet: string) => `{"ruleSet":"${ruleSet}"}`
    expect(only([published({}, { '/ruleSet': 'aldermoor-shredders' })])).toEqual([
      'conforms',
      `warning rule-set-empty - - [100, on) ${facts('aldermoor-routine')}`,
    ])
    const ruleSets = ['aldermoor-routine', 'aldermor-routine']
    const slipped = confirmed({ rulesVersion: 2, effectiveFrom: 200 }, { '/version': 4, '/ruleSets': ruleSets })
    expect(only([published()], [confirmed(), slipped])).toEqual([
      'conforms',
      `warning rule-set-empty - - [200, on) ${facts('aldermor-routine')}`,
    ])
    // The table only takes effect at 500.
    expect(only([published({ effectiveFrom: 500 })])).toEqual([
      'conforms',
      `warning rule-set-empty - - [100, 500) ${facts('aldermoor-routine')}`,
    ])
    // What cannot be read may belong to it, and blocks anyway.
    expect(only([{ ...published(), compiled: null }])).toEqual([
      'not-checkable',
      expect.stringContaining('edition-not-readable'),
    ])
  })

  test('is compared measurement by measurement where they differ', () => {
    const own = { '/steps/0/measurements/1/testCurrent': { least: '8', most: '12', unit: 'A' } }
    const { findings } = check({ changes: own, tables: [bondTable('10')] })
    expect(findings.map(({ variant, measurement }) => [variant, measurement])).toEqual([
      ['EX36-3M', 'hose-collar'],
      ['EX36-5M', 'hose-collar'],
    ])
  })

  test('must hold the kinds of step that a table about the plan demands', () => {
    const present = published(
      {},
      {
        '/table': 'programme',
        '/subject': 'plan',
        '/overrides': undefined,
        '/appliesWhen': undefined,
        '/inputs': [],
        '/outputs': [{ parameter: 'stepPresent', relation: 'in' }],
        '/rows': [{ row: 'p', when: [], then: ['"protective-bonding","protective-continuity"'] }],
        '/sources/0/rows': ['p'],
      },
    )
    expect(check({ tables: [present] }).verdict).toBe('conforms')
    const { findings } = check({
      tables: [present],
      changes: { '/steps/0/required': false, '/steps/1/after': ['bond'] },
    })
    expect(findings.filter(({ table }) => table === 'programme')[0]).toMatchObject({
      step: null,
      demanded: ['protective-bonding', 'protective-continuity'],
      accepted: ['electric-strength-ac', 'insulation-resistance', 'touch-current'],
    })
  })
})

describe('voltage and time are pairs', () => {
  const pairs = [published({}, rows(['1500', '60', '-'], ['1800', '1', '-']))]
  test.each([
    ['1500', '1', 'blocked'],
    ['1800', '1', 'conforms'],
    ['1650', '30', 'blocked'],
    ['1800', '60', 'conforms'],
    ['1500', '60', 'conforms'],
    ['1799.999', '59.999', 'blocked'],
  ])('%s V for %s s: %s', (voltage, dwell, verdict) => {
    expect(check({ tables: pairs, changes: strength(voltage, dwell) }).verdict).toBe(verdict)
  })
})

describe('a d.c. test in place of an a.c. one', () => {
  const { frequency: _, ...common } = planWire.steps[1] as Record<string, unknown>
  const dc = (volts: string): Changes => ({
    '/steps/1': {
      ...common,
      kind: 'electric-strength-dc',
      detector: 'dc',
      testVoltage: { least: volts, most: volts, unit: 'V' },
      rampUp: { set: '1', unit: 's' },
      residualVoltage: { most: '60', unit: 'V' },
    },
  })
  const factor = (text: string) => [
    published(
      {},
      { '/subject': 'electric-strength-dc', '/overrides': undefined, ...rows([`${text} * 1500`, '1', '-']) },
    ),
  ]
  test.each([
    ['1.414', '1500', 'blocked'],
    ['1.414', '2121', 'conforms'],
    ['1.414', '2120.9999', 'blocked'],
    ['1.414', '2122', 'conforms'],
    ['1.41421356', '2121', 'blocked'],
    ['1.41421356', '2121.32034', 'conforms'],
    ['1.41421356', '2122', 'conforms'],
  ])('factor %s, %s V: %s', (text, volts, verdict) => {
    expect(check({ tables: factor(text), changes: dc(volts) }).verdict).toBe(verdict)
  })

  test('is not compared with the a.c. rule', () => {
    expect(check({ changes: dc('1500') }).editions).toEqual([])
  })
})

describe('bands of a rule', () => {
  const bands = (hitPolicy: string, ...when: string[]) =>
    published(
      {},
      {
        '/hitPolicy': hitPolicy,
        '/inputs/1/values': undefined,
        '/rows': when.map((cell, index) => ({
          row: `r${index + 1}`,
          when: ['"basic"', cell],
          then: [`${1000 + 100 * index}`, '1', '-'],
        })),
        '/sources/0/rows': when.map((_, index) => `r${index + 1}`),
      },
    )
  const rated = (volts: string) => [
    confirmed({ digest: planWire.productDigest }, { '/attributes/ratedVoltage/value': volts }),
  ]
  const at = (volts: string, table: PublishedTable) =>
    check({ tables: [table], versions: rated(volts), changes: strength('900', '1') }).findings[0]

  test.each([
    ['50', 'r1'],
    ['50.1', 'r2'],
    ['150', 'r2'],
    ['150.1', 'r3'],
    ['300', 'r3'],
  ])('%s V lies in %s', (volts, row) => {
    expect(at(volts, bands('U', '(0..50]', '(50..150]', '(150..300]'))).toMatchObject({
      code: 'requirement-not-met',
      row,
    })
  })

  test('no row is a gap, two are ambiguous, and both block', () => {
    expect(at('310', bands('U', '(0..50]', '(50..150]', '(150..300]'))).toMatchObject({
      severity: 'blocking',
      code: 'rule-gap',
    })
    expect(at('150', bands('U', '(0..150]', '[150..300]'))).toMatchObject({
      severity: 'blocking',
      code: 'rule-ambiguous',
      facts: { rows: 'r1, r2' },
    })
  })
})

describe('a limit that depends on the variant', () => {
  test('is what its formula gives', () => {
    const { findings } = check({ changes: { '/steps/0/limitUpper/byVariant/EX36-5M': '197.4' } })
    expect(findings.map(brief)).toEqual(['blocking formula-disagrees - limitUpper [100, on)'])
    expect(findings[0]).toMatchObject({
      variant: 'EX36-5M',
      measurement: null,
      demanded: { value: '197.5', unit: 'mOhm' },
      accepted: { value: '197.4', unit: 'mOhm' },
      margin: { value: '-0.1', unit: 'mOhm' },
    })
  })

  test('and a longer cord reaches the revision from its instant on', () => {
    const longer = confirmed(
      { version: 4, digest: 'sha256:4', effectiveFrom: 500, rulesVersion: 3 },
      { '/variants/1/attributes/earthCoreResistance/value': '136.5' },
    )
    const { findings, verdict } = check({ versions: [confirmed(), longer] })
    expect(findings.map(brief)).toEqual(['blocking formula-disagrees - limitUpper [500, on)'])
    expect(verdict).toBe('blocked')
    expect(demandedFrom(findings, 100)).toBe(500)
    expect(check({ versions: [confirmed(), longer], knownVersion: 2 }).findings).toEqual([])
  })

  test('a missing attribute is a finding, never a silent default', () => {
    const versions = [confirmed({ digest: planWire.productDigest }, { '/variants/1/attributes': undefined })]
    expect(check({ versions }).findings[0]).toMatchObject({
      severity: 'blocking',
      code: 'attribute-missing',
      variant: 'EX36-5M',
      facts: { attribute: 'earthCoreResistance' },
    })
  })

  test('a formula without a value blocks', () => {
    const changes = { '/steps/0/limitUpper/formula': '100 / (earthCoreResistance - 58.5)' }
    const found = check({ changes }).findings.find(({ variant }) => variant === 'EX36-3M')
    expect(found).toMatchObject({
      severity: 'blocking',
      code: 'formula-uncomputable',
      facts: { because: 'division-by-zero' },
    })
  })
})
