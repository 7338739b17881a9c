import { describe, expect, test } from 'vitest'
import { GOVERNING } from '../../src/stations/cautions.ts'
import { type SheetFacts, setupSheet } from '../../src/stations/setup-sheet.ts'
import { SetupSheetWire } from '../../src/stations/setup-sheet-words.ts'
import { capable, DIGEST, ex36Final } from './facts.ts'

function sheet(change: Partial<SheetFacts> = {}) {
  const made = setupSheet({
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: DIGEST,
    state: 'approved',
    content: ex36Final(),
    productName: 'Workshop dust extractor EX36',
    at: Date.UTC(2026, 2, 16, 9),
    variants: ['EX36-3M', 'EX36-5M'],
    variant: undefined,
    station: { station: 'LDS-F2', name: 'Final test 2', site: 'leeds' },
    instrument: { instrument: 'INS-0031', name: 'Tester 31', capabilities: capable },
    programs: ['3', '4'],
    revisionNow: { isInForce: true, isChecked: true, isBlocked: false },
    stated: [],
    ...change,
  })
  return SetupSheetWire.parse(made)
}

function stepOf(made: ReturnType<typeof sheet>, step: string, measurement: string) {
  const found = made.programs
    .flatMap(({ testerSteps }) => testerSteps)
    .find((one) => one.step === step && one.measurement === measurement)
  if (!found) throw new Error(`the sheet has no ${step}, ${measurement}`)
  return found
}

describe('programs and tester steps', () => {
  test('follow the plan, five to a program, under the names of the programming', () => {
    const { programs } = sheet()
    expect(
      programs.map(({ program, testerSteps }) => [
        program,
        testerSteps.map((one) => `${one.testerStep} ${one.step} ${one.measurement}`),
      ]),
    ).toEqual([
      [
        '3',
        [
          '1 bond motor-housing',
          '2 bond hose-collar',
          '3 strength live-to-earth',
          '4 insulation live-to-earth',
          '5 touch normal-closed',
        ],
      ],
      ['4', ['1 touch normal-open', '2 touch reversed-closed', '3 touch reversed-open']],
    ])
  })

  test('have no name before they are keyed in', () => {
    expect(sheet({ programs: [] }).programs.map(({ program }) => program)).toEqual([null, null])
  })

  test('are one list where the instrument keeps no programs, or none is known', () => {
    for (const change of [
      {
        programs: [],
        instrument: { instrument: 'INS-0040', name: 'Tester 40', capabilities: { kinds: capable.kinds } },
      },
      { programs: [], instrument: undefined, station: undefined },
    ]) {
      const { programs } = sheet(change)
      expect(programs.map(({ program, testerSteps }) => [program, testerSteps.length])).toEqual([[null, 8]])
    }
  })

  test('and the note counts them', () => {
    expect(sheet().instrument?.note).toBe('8 tester steps need 2 of its 10 programs, which hold 5 each.')
  })
})

describe('what does not fit', () => {
  const small = (count: number) => ({
    instrument: {
      instrument: 'INS-0031',
      name: 'Tester 31',
      capabilities: { ...capable, programs: { count, stepsEach: 5 } },
    },
    programs: [],
  })

  test('fills the programs there are, and the rest is named', () => {
    const { programs, leftOver, instrument, marks } = sheet(small(1))
    expect(programs.map(({ testerSteps }) => testerSteps.length)).toEqual([5])
    expect(leftOver.map(({ testerStep, measurement }) => `${testerStep} ${measurement}`)).toEqual([
      '1 normal-open',
      '2 reversed-closed',
      '3 reversed-open',
    ])
    expect(instrument).toMatchObject({
      fits: false,
      capacity: { testerSteps: 8, programsNeeded: 2, programs: 1, stepsEach: 5 },
    })
    expect(marks.map(({ text }) => text)).toEqual([
      'its programs (1, of 5 steps each) hold 5 tester steps, so these are left over: touch normal-open, touch reversed-closed, touch reversed-open',
    ])
  })

  test('nothing is left over where the revision spans programs', () => {
    expect(sheet(small(2))).toMatchObject({ leftOver: [], marks: [], instrument: { fits: true } })
  })

  test('every tester step stands once, in order, however small the programs', () => {
    for (const stepsEach of [1, 2, 3, 7, 8, 9]) {
      for (const count of [1, 2, 3, 8]) {
        const capabilities = { ...capable, programs: { count, stepsEach } }
        const made = sheet({ instrument: { instrument: 'INS-1', name: 'T', capabilities }, programs: [] })
        const all = [...made.programs.flatMap(({ testerSteps }) => testerSteps), ...made.leftOver]
        expect(all.map(({ step, measurement }) => `${step} ${measurement}`)).toEqual(
          ex36Final().steps.flatMap(({ step, measurements }) =>
            measurements.map((one) => `${step} ${one.measurement}`),
          ),
        )
        expect(made.programs.length).toBeLessThanOrEqual(count)
        expect(made.instrument?.fits).toBe(made.leftOver.length === 0)
      }
    }
  })
})

test('settings stand with what is set and what is accepted', () => {
  const { settings } = stepOf(sheet(), 'strength', 'live-to-earth')
  expect(settings.map(({ setting, text }) => `${setting}: ${text}`)).toEqual([
    'testVoltage: set 1250 V; accepted: 1200 to 1287.5 V',
    'frequency: set 50 Hz; accepted: 49 to 51 Hz',
    'rampUp: set 1.0 s; accepted: at most 5.0 s',
    'dwell: set 1.2 s; accepted: at least 1.0 s',
    'rampDown: set 0.3 s',
    'tripCurrent: 5.0 mA',
    'openLeadMinimum: 0.65 mA',
    'arcDetection: 10 mA',
    'detector: rms',
    'limitInRamp: on',
  ])
  expect(settings[0]).toMatchObject({ set: '1250', least: '1200', most: '1287.5', unit: 'V' })
})

test('connections stand by the role of the terminals', () => {
  expect(stepOf(sheet(), 'bond', 'hose-collar').connection).toEqual({
    from: ['plug-earth-pin'],
    to: ['hose-collar'],
    polarity: null,
    neutral: null,
    protectiveConductor: null,
    text: 'from plug-earth-pin to hose-collar',
  })
  expect(stepOf(sheet(), 'touch', 'reversed-open').connection.text).toBe(
    'supply in reversed polarity; neutral open; protective conductor open; from accessible-metal',
  )
})

describe('limits', () => {
  test('stand for every variant where they differ, and once where they do not', () => {
    expect(stepOf(sheet(), 'bond', 'motor-housing').limits).toEqual([
      { variant: 'EX36-3M', limitLower: null, limitUpper: { value: '158.5', unit: 'mOhm', inclusive: true } },
      { variant: 'EX36-5M', limitLower: null, limitUpper: { value: '197.5', unit: 'mOhm', inclusive: true } },
    ])
    expect(stepOf(sheet(), 'insulation', 'live-to-earth').limits).toEqual([
      { variant: null, limitLower: { value: '2', unit: 'MOhm', inclusive: true }, limitUpper: null },
    ])
  })

  test('are those of the variant asked for', () => {
    const made = sheet({ variant: 'EX36-5M' })
    expect(made.variant).toBe('EX36-5M')
    expect(stepOf(made, 'bond', 'motor-housing').limits.map(({ limitUpper }) => limitUpper?.value)).toEqual(['197.5'])
  })
})

describe('marks', () => {
  const marks = (change: Partial<SheetFacts> = {}) => sheet(change).marks.map(({ code }) => code)
  const revisionNow = { isInForce: true, isChecked: true, isBlocked: false }

  test('there are none on a revision in force that fits', () => {
    expect(marks()).toEqual([])
  })

  test.each<[string, Partial<SheetFacts>]>([
    ['not-approved', { state: 'draft' }],
    ['not-approved', { state: 'in-review' }],
    ['withdrawn', { state: 'withdrawn' }],
    ['not-in-force', { revisionNow: { ...revisionNow, isInForce: false } }],
    ['blocked', { revisionNow: { ...revisionNow, isBlocked: true } }],
    ['unchecked', { revisionNow: { ...revisionNow, isChecked: false } }],
    ['bound-by-stated-reason', { stated: [{ table: 'extractor-strength', edition: 3, reason: 'house rule, demo' }] }],
    ['instrument-not-capable', { programs: ['3'] }],
    [
      'instrument-not-capable',
      {
        programs: [],
        instrument: {
          instrument: 'INS-0031',
          name: 'Tester 31',
          capabilities: { ...capable, programs: { count: 1, stepsEach: 7 } },
        },
      },
    ],
  ])('%s', (code, change) => {
    expect(marks(change)).toEqual([code])
  })

  test('the stated reason itself is shown', () => {
    const [mark] = sheet({ stated: [{ table: 'extractor-strength', edition: 3, reason: 'house rule, demo' }] }).marks
    expect(mark?.text).toContain('Edition 3 of extractor-strength')
    expect(mark?.text).toContain('house rule, demo')
  })
})

describe('cautions', () => {
  test('the general ones and those of each kind, each once, and who governs', () => {
    const { cautions, governing } = sheet()
    expect(new Set(cautions).size).toBe(cautions.length)
    expect(cautions.join(' ')).toMatch(
      /High voltage.*can kill.*Protective bonding.*Electric strength.*residual voltage.*Touch current/,
    )
    expect(governing).toBe(GOVERNING)
    expect(governing).toMatch(/^Local code and licensed practice govern/)
  })

  test('not those of kinds that are not in the plan', () => {
    expect(sheet().cautions.join(' ')).not.toContain('Protective conductor current')
  })
})

test('notes say what makes a test say nothing, and the order', () => {
  const made = sheet()
  expect(stepOf(made, 'bond', 'motor-housing').notes).toEqual([
    'Measure the leads first: at most 30 mOhm, not older than 12 h.',
  ])
  expect(stepOf(made, 'strength', 'live-to-earth').notes).toEqual([
    'Below 0.65 mA a lead is open: the test says nothing about the unit.',
    'The upper limit holds while the voltage rises as well.',
    'Only after bond.',
  ])
  expect(stepOf(made, 'insulation', 'live-to-earth').notes).toEqual([
    'Contact is proven by step strength: do not change the connection in between.',
    'Only after bond.',
  ])
})
