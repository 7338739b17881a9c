import { describe, expect, test } from 'vitest'
import { decimal } from '../../src/exact/decimal.ts'
import { type PlanContent, PlanContentWire } from '../../src/plans/words.ts'
import type { StoredReading } from '../../src/proposal/building.ts'
import type { Proposed } from '../../src/proposal/propose.ts'
import { changed } from '../plans/aldermoor.ts'
import { planWire } from '../support/aldermoor.ts'
import { houseTables, productNamed, propose, tableNamed } from './house.ts'

const ex36 = productNamed('product-ex36-3')

function step(content: PlanContent, name: string): Record<string, unknown> {
  const found = content.steps.find((one) => one.step === name)
  if (!found) throw new Error(`no step ${name} in ${content.steps.map((one) => one.step).join(', ')}`)
  return found as unknown as Record<string, unknown>
}

function reasonAt({ reasons }: Proposed, pointer: string) {
  const found = reasons.find((one) => one.pointer === pointer)
  if (!found) throw new Error(`no reason at ${pointer}`)
  return found
}

function readings(count: number, given: Partial<StoredReading> = {}): StoredReading[] {
  return Array.from({ length: count }, (_, index) => ({
    step: 'strength',
    measurement: 'live-to-earth',
    kind: 'electric-strength-ac',
    variant: 'EX36-3M',
    detector: 'rms',
    value: decimal(`${160 + index}e-5`),
    relation: '=',
    testVoltage: decimal('1240'),
    testCurrent: null,
    ...given,
  }))
}
const ofBoth = (count: number, given: Partial<StoredReading> = {}) => [
  ...readings(count, given),
  ...readings(count, { ...given, variant: 'EX36-5M' }),
]

describe('the example by hand', () => {
  const proposed = propose(ex36)

  test('is the extractor of the works, whose plan conforms', () => {
    expect(proposed.check.verdict).toBe('conforms')
    expect(proposed.content.steps.map((one) => one.step)).toEqual(['bond', 'strength', 'insulation', 'touch'])
    expect(step(proposed.content, 'strength')).toMatchObject({
      after: ['bond'],
      testVoltage: { set: '1240', least: '1200', most: '1278', unit: 'V' },
      dwell: { set: '1.1', least: '1', unit: 's' },
      tripCurrent: { value: '4.4', unit: 'mA' },
      limitUpper: { value: '2.8', unit: 'mA' },
      openLeadMinimum: { value: '0.65', unit: 'mA' },
    })
    expect(step(proposed.content, 'insulation')).toMatchObject({ contactProvenBy: 'strength' })
  })

  test('gives the row, its source, and the alternative it did not take', () => {
    const least = reasonAt(proposed, '/steps/1/testVoltage/least')
    expect(least).toMatchObject({
      value: '1200',
      source: 'rule',
      rule: {
        table: 'extractor-strength',
        edition: 3,
        row: 'b4',
        document: 'Aldermoor house rule HR-7',
        clause: '3.1',
      },
    })
    expect(least.because).toContain('b3 (testVoltage >= 1000 V, dwell >= 60 s')
    expect(reasonAt(proposed, '/steps/1/limitUpper/value')).toMatchObject({ source: 'physics', value: '2.8' })
    expect(reasonAt(proposed, '/steps/1/limitUpper/value').because).toContain('5.28 nF, 1278 V and 51 Hz')
    expect(reasonAt(proposed, '/steps/0/limitUpper/byVariant/EX36-5M')).toMatchObject({
      value: '197.5',
      source: 'rule',
    })
  })

  test('takes the longer row where another table allows no more voltage', () => {
    const gentle = tableNamed('appliance-strength-4', 20, {
      '/table': 'gentle',
      '/outputs': [{ parameter: 'testVoltage', relation: '<=', unit: 'V' }],
      '/rows': [{ row: 'all', when: ['-', '-'], then: ['1100'] }],
      '/sources/0/rows': ['all'],
    })
    const { content, check } = propose(ex36, { tables: [...houseTables, gentle] })
    expect(check.verdict).toBe('conforms')
    expect(step(content, 'strength')).toMatchObject({
      testVoltage: { set: '1040', least: '1000', most: '1072' },
      dwell: { set: '66', least: '60' },
    })
  })
})

describe('stored readings', () => {
  const limit = (given: readonly StoredReading[]) =>
    step(propose(ex36, { readings: given }).content, 'strength')['limitUpper']

  test('tighten the limit, and are shown', () => {
    const proposed = propose(ex36, { readings: ofBoth(30) })
    expect(step(proposed.content, 'strength')['limitUpper']).toMatchObject({ value: '2.6', unit: 'mA' })
    expect(reasonAt(proposed, '/steps/1/limitUpper/value')).toMatchObject({
      source: 'readings',
      readings: {
        count: 30,
        censoredCount: 0,
        method: 'robust',
        lower: '1.448',
        median: '1.745',
        upper: '2.042',
        unit: 'mA',
      },
    })
    expect(proposed.check.verdict).toBe('conforms')
  })

  test('of one variant speak for it alone', () => {
    expect(limit(readings(30))).toMatchObject({ byVariant: { 'EX36-3M': '2.6', 'EX36-5M': '2.8' } })
  })

  test.each([
    ['fewer than thirty', ofBoth(29)],
    ['of another voltage', ofBoth(40, { testVoltage: decimal('1300') })],
    ['of another detector', ofBoth(40, { detector: 'peak' })],
    ['of a step of another kind', ofBoth(40, { kind: 'electric-strength-dc' })],
    ['of which only a bound is known', ofBoth(40, { relation: '<' })],
  ])('%s say nothing', (_, given) => {
    expect(limit(given)).toMatchObject({ value: '2.8' })
  })

  test('give touch current the minimum that the product does not', () => {
    const conditions = ['normal-closed', 'normal-open', 'reversed-closed', 'reversed-open']
    const touch = conditions.flatMap((measurement) =>
      ofBoth(30, { step: 'touch', kind: 'touch-current', measurement, testVoltage: decimal('247') }),
    )
    const bare = propose(ex36)
    const measured = propose(ex36, { readings: touch })
    expect(bare.open.some(({ pointer }) => pointer === '/steps/3')).toBe(true)
    expect(step(measured.content, 'touch')['openLeadMinimum']).toEqual({ value: '0.72', unit: 'mA' })
    expect(measured.open.some(({ pointer }) => pointer === '/steps/3')).toBe(false)
    // A minimum holds for every variant, so one alone says none.
    const one = propose(ex36, { readings: touch.filter(({ variant }) => variant === 'EX36-3M') })
    expect(step(one.content, 'touch')['openLeadMinimum']).toBeUndefined()
  })
})

describe('the plan as it was', () => {
  test('keeps its keys, so that readings go on; settings are proposed anew', () => {
    const before = PlanContentWire.parse(
      changed(planWire, {
        '/steps/1/step': 'flash',
        '/steps/1/measurements/0/measurement': 'mains-to-case',
        '/steps/2/contactProvenBy': 'flash',
        '/steps/3/after': ['flash'],
      }),
    )
    const { content } = propose(ex36, { before, revision: 8 })
    expect(content.revision).toBe(8)
    expect(content.steps.map((one) => one.step)).toEqual(['bond', 'flash', 'insulation', 'touch'])
    expect(step(content, 'flash')['measurements']).toMatchObject([{ measurement: 'mains-to-case' }])
    expect(step(content, 'insulation')['contactProvenBy']).toBe('flash')
    // Its bond has two wires.
    expect(step(content, 'bond')).toMatchObject({
      method: 'two-wire',
      leadOffset: { most: { value: '30', unit: 'mOhm' } },
    })
  })
})

describe('what the plan had and no rule asks for', () => {
  const look = {
    step: 'look',
    kind: 'inspection',
    required: true,
    after: [],
    measurements: [{ measurement: 'cord', instruction: 'The cord is whole.' }],
  }

  test('stays, with its numbers; what nothing can be said of is told, and its sites stay', () => {
    const second = { ...planWire.steps[0], step: 'bond-again' }
    const before = PlanContentWire.parse(
      changed(planWire, { '/steps/4': look, '/steps/5': second, '/evidenceFrom': 'steps' }),
    )
    const { content, open } = propose(ex36, { before, sites: ['leeds'] })
    expect(content.sites).toEqual(['leeds'])
    expect(step(content, 'look')).toMatchObject(look)
    const texts = open.map(({ text }) => text)
    expect(texts).toContain(
      'The newest revision has the step bond-again (protective-bonding), which this product and the rules in effect do not ask for: keep it or leave it out.',
    )
    expect(texts.filter((text) => text.includes('evidence from steps'))).toHaveLength(1)
  })

  test('a plan that no rule speaks of keeps its steps, stresses, limits and trip', () => {
    const before = PlanContentWire.parse(planWire)
    const proposed = propose(ex36, { before, tables: [] })
    expect(proposed.content.steps.map((one) => one.step)).toEqual(['bond', 'strength', 'insulation', 'touch'])
    expect(step(proposed.content, 'bond')).toMatchObject({
      testCurrent: { least: '10' },
      dwell: { least: '2' },
      limitUpper: { byVariant: { 'EX36-3M': '158.5', 'EX36-5M': '197.5' } },
    })
    expect(step(proposed.content, 'strength')).toMatchObject({
      testVoltage: { least: '1200' },
      tripCurrent: { value: '5' },
    })
    expect(step(proposed.content, 'insulation')).toMatchObject({ limitLower: { value: '2', unit: 'MOhm' } })
    expect(step(proposed.content, 'touch')).toMatchObject({
      limitUpper: { value: '0.75' },
      openLeadMinimum: { value: '0.06', unit: 'mA' },
    })
    expect(reasonAt(proposed, '/steps/0/limitUpper/byVariant/EX36-5M')).toMatchObject({ source: 'plan' })
  })
})

test('a minimum fits every connection: one across which no current is known has a small one of its own', () => {
  const mixed = productNamed('product-ex36-3', {
    '/attributes/insulations': [
      { between: ['live', 'protective-conductor'], insulation: 'basic' },
      { between: ['live', 'accessible-metal'], insulation: 'basic' },
    ],
  })
  const proposed = propose(mixed)
  expect(proposed.check.verdict).toBe('conforms')
  expect(step(proposed.content, 'strength')).toMatchObject({
    openLeadMinimum: { value: '0.65', unit: 'mA' },
    measurements: [
      { measurement: 'live-to-earth' },
      { measurement: 'live-to-accessible-metal', openLeadMinimum: { value: '0.01', unit: 'mA' } },
    ],
  })
  expect(reasonAt(proposed, '/steps/1/measurements/1/openLeadMinimum/value')).toMatchObject({ source: 'default' })
})

describe('the instrument', () => {
  const having = (most: string, programs?: { count: number; stepsEach: number }) => ({
    instrument: 'INS-1',
    capabilities: {
      kinds: [{ kind: 'electric-strength-ac' as const, range: { least: '100', most, unit: 'V' } }],
      ...(programs && { programs }),
    },
  })

  test('keeps what is set within its range', () => {
    const proposed = propose(ex36, { instrument: having('1210') })
    expect(step(proposed.content, 'strength')['testVoltage']).toMatchObject({ set: '1210', least: '1200' })
    expect(reasonAt(proposed, '/steps/1/testVoltage/set')).toMatchObject({ source: 'instrument', value: '1210' })
  })

  const told = (...given: Parameters<typeof having>) =>
    propose(ex36, { instrument: having(...given) })
      .open.map(({ text }) => text)
      .filter((text) => text.startsWith('INS-1'))

  test('says how far it may miss what is set', () => {
    const capabilities = {
      kinds: [{ kind: 'electric-strength-ac' as const, accuracy: { value: '1', unit: '%' } }],
    }
    const proposed = propose(ex36, { instrument: { instrument: 'INS-1', capabilities } })
    // 1200 / 0.99 = 1212.1, up to three digits; 1220 * 1.01 = 1232.2, up to four.
    expect(step(proposed.content, 'strength')['testVoltage']).toMatchObject({
      set: '1220',
      least: '1200',
      most: '1233',
    })
    expect(reasonAt(proposed, '/steps/1/testVoltage/set')).toMatchObject({
      source: 'instrument',
      because: 'INS-1 may miss what is set by 1 % either way.',
    })
  })

  test('that does not do a kind, or does not reach, or has not the programs, is told', () => {
    expect(told('3000')).toEqual([
      'INS-1: step bond is protective-bonding, which the instrument does not do.',
      'INS-1: step insulation is insulation-resistance, which the instrument does not do.',
      'INS-1: step touch is touch-current, which the instrument does not do.',
    ])
    expect(told('1100').join()).toContain('testVoltage 1240 V; the instrument has 100 to 1100 V')
    expect(told('3000', { count: 1, stepsEach: 7 }).at(-1)).toBe(
      'INS-1: 8 tester steps are planned; its programs (1, of 7 steps each) hold 7.',
    )
  })
})

describe('what cannot be met', () => {
  const strength = (name: string, rulesVersion: number, relation: string, cell: string) =>
    tableNamed('appliance-strength-4', rulesVersion, {
      '/table': name,
      '/outputs': [{ parameter: 'testVoltage', relation, unit: 'V' }],
      '/rows': [{ row: 'all', when: ['-', '-'], then: [cell] }],
      '/sources/0/rows': ['all'],
    })

  test('is open, by the name of the table', () => {
    const { open, check } = propose(ex36, {
      tables: [strength('high', 2, '>=', '2000'), strength('low', 3, '<=', '1000')],
    })
    expect(check.verdict).toBe('blocked')
    expect(open.map(({ text }) => text)).toContain(
      'Edition 4 of low (rows all) cannot be met together with the other tables in effect: one of them must change.',
    )
    expect(open.some(({ pointer, text }) => pointer === '/steps/1' && text.includes('requirement-not-met'))).toBe(true)
  })

  test('a table that demands what steps of its kind do not have', () => {
    const odd = tableNamed('appliance-insulation-1', 20, {
      '/table': 'odd',
      '/outputs': [{ parameter: 'dwell', relation: '>=', unit: 's' }],
      '/rows': [{ row: 'all', when: ['-'], then: ['60'] }],
      '/sources/0/rows': ['all'],
    })
    const texts = propose(ex36, { tables: [...houseTables, odd] }).open.map(({ text }) => text)
    expect(texts).toContain(
      'Edition 1 of odd (rows all) cannot be met, since a step insulation-resistance has no dwell: the table must change.',
    )
  })

  test('a table that has no row for the product', () => {
    const far = productNamed('product-ex36-3', { '/attributes/ratedVoltage/value': '600' })
    const texts = propose(far).open.map(({ text }) => text)
    expect(texts.filter((text) => text.includes('has no row for this product'))).toHaveLength(2)
  })

  test('an order that goes in a circle', () => {
    const first = (subject: string, later: string, rulesVersion: number) =>
      tableNamed('appliance-order-1', rulesVersion, {
        '/table': `first-${subject}`,
        '/subject': subject,
        '/rows/0/then': [`"${later}"`],
      })
    const tables = [
      ...houseTables.slice(0, 6),
      first('electric-strength-ac', 'insulation-resistance', 20),
      first('insulation-resistance', 'electric-strength-ac', 21),
    ]
    const { open, check } = propose(ex36, { tables })
    expect(check.verdict).toBe('blocked')
    expect(open.some(({ text }) => text.includes('go in a circle'))).toBe(true)
  })

  test('an unconfirmed version is said to be one', () => {
    expect(propose(ex36, { isConfirmed: false }).open[0]?.text).toContain('is not confirmed')
  })
})

test('nothing asks for a test: a person looks, and what to look at is open', () => {
  const bare = productNamed('product-gs18-1', {
    '/attributes/insulations': [{ between: ['line', 'neutral'], insulation: 'functional' }],
  })
  const { content, open } = propose(bare, { tables: [tableNamed('appliance-strength-4', 2)] })
  expect(content.steps.map(({ kind }) => kind)).toEqual(['inspection'])
  expect(open.map(({ pointer }) => pointer)).toContain('/steps/0/measurements/0/instruction')
})
