import { describe, expect, test } from 'vitest'
import { decide } from '../../src/judging/decide.ts'
import {
  type Fact,
  type FactKey,
  type InstrumentFact,
  type ProgrammingFact,
  productFact,
  type RevisionFact,
} from '../../src/judging/facts.ts'
import type { ProductContent } from '../../src/products/words.ts'
import { ex36 } from '../support/aldermoor.ts'
import {
  baseFacts,
  changedPlan,
  changedUpload,
  context,
  factsFor,
  IN_FORCE_FROM,
  instant,
  RECEIVED,
  revisionFact,
  stepIn,
  type Wire,
} from './aldermoor.ts'

const upload = changedUpload()
const START = upload.startedAt
type Replaced = Partial<Record<FactKey, Fact | null>>
const decided = (change: (wire: Wire) => void = () => {}, replaced: Replaced = {}) => {
  const changed = changedUpload(change)
  return decide(changed, factsFor(changed, replaced), context)
}
const codes = (change: (wire: Wire) => void, replaced: Replaced = {}) =>
  decided(change, replaced).codes.map(({ code }) => code)
const withRevision = (more: Partial<RevisionFact>) =>
  codes(() => {}, { 'revision/ex36-final/7': { ...revisionFact, ...more } })
const nothing = () => {}

describe('who sends it', () => {
  test('an unknown station, and one that the key may not speak for', () => {
    expect(codes(nothing, { 'station/LDS-F2': null })).toContain('station-unknown')
    const other = decide(upload, factsFor(upload), { ...context, actor: { kind: 'gateway', stations: ['LDS-F3'] } })
    expect(other.codes).toEqual([{ code: 'station-mismatch', pointer: '/station', facts: { station: 'LDS-F2' } }])
    expect([other.outcome, other.judgement, other.verdict]).toEqual(['rejected', null, null])
    expect(decide(upload, factsFor(upload), { ...context, actor: { kind: 'person' } }).outcome).toBe('rejected')
  })
  test('an unknown person is a fact that is missing: held', () => {
    const decision = decided(nothing, { 'person/P-0417': null })
    expect([decision.outcome, decision.verdict]).toEqual(['held', 'pass'])
    expect(decision.codes.map(({ code }) => code)).toEqual(['person-unknown'])
  })
  test.each(['verification', 'engineering'])('purpose %s is held', (purpose) => {
    expect(codes((wire) => Object.assign(wire, { purpose }))).toEqual(['purpose-not-allowed'])
  })
})

describe('the unit', () => {
  test('an unknown product, and one without a confirmed version', () => {
    expect(codes(nothing, { 'product/EX36': null })).toEqual(['product-unknown'])
    expect(codes(nothing, { 'product/EX36': { kind: 'product', product: 'EX36', versions: [] } })).toEqual([
      'product-unknown',
    ])
  })
  test('another product than the plan is for', () => {
    const wrong = decided(nothing, {
      'revision/ex36-final/7': { ...revisionFact, content: { ...revisionFact.content, product: 'BC20' } },
    })
    expect(wrong.codes.map(({ code }) => code)).toEqual(['product-plan-mismatch'])
    expect(wrong.outcome).toBe('rejected')
  })
  test.each([
    [' ex36-26-004417\r\n', 'EX36-26-004417'],
    ['EX36-26-004417', 'EX36-26-004417'],
    ['EX36-26-4417', null],
    ['EX36-26-00441\u0417', null],
    ['EX36-26\u0000-004417', null],
  ])('the serial %j', (serial, expected) => {
    const decision = decided((wire) => Object.assign(wire, { serial }))
    expect(decision.admission.serial).toBe(expected)
    expect(decision.codes.map(({ code, pointer }) => [code, pointer])).toEqual(
      expected === null ? [['serial-not-allowed', '/serial']] : [],
    )
  })
  test('a variant missing, unknown, or without a row in force', () => {
    const variantless = decided((wire) => {
      delete wire.variant
    })
    expect(variantless.codes.map(({ code, pointer }) => [code, pointer])).toEqual([['field-invalid', '/variant']])
    expect(codes((wire) => Object.assign(wire, { variant: 'EX36-9M' }))).toEqual(['field-invalid'])
    expect(withRevision({ inForce: [{ variant: 'EX36-5M', from: IN_FORCE_FROM, until: null }] })).toEqual([
      'product-plan-mismatch',
    ])
    expect(withRevision({ inForce: [] })).toEqual(['product-plan-mismatch'])
  })
  test('serial and variant are asked of the version in effect at the start, not of the one cited', () => {
    const version = (number: number, effectiveFrom: number, change: Partial<ProductContent> = {}) => ({
      product: 'EX36',
      version: number,
      digest: `sha256:${number}`,
      effectiveFrom,
      rulesVersion: number,
      publishedAt: 0,
      content: { ...ex36(change), version: number },
    })
    const newer = {
      serialRule: { ...ex36().serialRule, pattern: '^N[0-9]{6}$' },
      variants: [{ variant: 'EX36-3M' }, { variant: 'EX36-8M' }],
    }
    const asked = (effectiveFrom: number, serial: string, variant: string) =>
      codes((wire) => Object.assign(wire, { serial, variant }), {
        'product/EX36': productFact('EX36', [version(3, 0), version(4, effectiveFrom, newer)]),
      })
    expect(asked(START, 'N000001', 'EX36-3M')).toEqual([])
    expect(asked(START, 'EX36-26-004417', 'EX36-3M')).toEqual(['serial-not-allowed'])
    expect(asked(START, 'N000001', 'EX36-5M')).toEqual(['field-invalid'])
    expect(asked(START + 1, 'EX36-26-004417', 'EX36-5M')).toEqual([])
    expect(asked(START + 1, 'EX36-26-004417', 'EX36-8M')).toEqual(['field-invalid'])
    // Before any version was in effect the cited one is asked.
    const early = productFact('EX36', [version(3, START + 1), version(4, START + 2, newer)])
    expect(codes(nothing, { 'product/EX36': early })).toEqual([])
  })
  test('T12: a variant that the limit does not name', () => {
    const content = changedPlan((wire) => {
      delete stepIn(wire, 'bond').limitUpper.byVariant['EX36-3M']
    })
    const decision = decided(nothing, { 'revision/ex36-final/7': { ...revisionFact, content } })
    expect(decision.codes).toEqual([
      {
        code: 'attribute-missing',
        pointer: '/variant',
        facts: { variant: 'EX36-3M', step: 'bond', measurement: 'motor-housing', member: 'limitUpper' },
      },
    ])
    expect(decision.outcome).toBe('rejected')
  })
})

describe('the revision at the start', () => {
  test('unknown, or another digest than the one cited', () => {
    expect(codes(nothing, { 'revision/ex36-final/7': null })).toEqual(['revision-unknown'])
    expect(codes((wire) => Object.assign(wire, { revisionDigest: `sha256:${'0'.repeat(64)}` }))).toContain(
      'digest-mismatch',
    )
  })
  test('never approved', () => {
    expect(withRevision({ approvedAt: null, state: 'draft', inForce: [], check: null })).toEqual([
      'revision-not-yet-in-force',
    ])
  })
  // T31: the change instant belongs to the new revision.
  test.each([
    [START, null, []],
    [START + 1, null, ['revision-not-yet-in-force']],
    [IN_FORCE_FROM, START + 1, []],
    [IN_FORCE_FROM, START, ['revision-stale']],
    [IN_FORCE_FROM, START - 1, ['revision-stale']],
    [START + 1_000, START + 1_000, ['revision-stale']], // Withdrawn before it began.
  ])('in force from %d to %s: %j', (from, until, expected) => {
    expect(withRevision({ inForce: [{ variant: 'EX36-3M', from, until }] })).toEqual(expected)
  })
  test('late arrival is harmless', () => {
    const late = RECEIVED + 400 * 86_400_000
    const sentLate = changedUpload((wire) => Object.assign(wire, { sentAt: new Date(late - 100).toISOString() }))
    const revision = { ...revisionFact, inForce: [{ variant: 'EX36-3M', from: IN_FORCE_FROM, until: START + 1 }] }
    const decision = decide(sentLate, factsFor(sentLate, { 'revision/ex36-final/7': revision }), {
      ...context,
      receivedAt: late,
    })
    expect(decision.outcome).toBe('accepted')
  })
  test.each([
    [START + 1, null, []],
    [START, null, ['revision-blocked']],
    [START - 1, null, ['revision-blocked']],
    [START - 1, START, []],
  ])('blocked from %d to %s: %j', (from, until, expected) => {
    const check = { applied: [], blocks: [{ from, until, causes: ['requirement-not-met'] }] }
    expect(withRevision({ check })).toEqual(expected)
  })
  test('a revision without a check at these rules is checked before it counts', () => {
    const unchecked = { 'revision/ex36-final/7': { ...revisionFact, check: null } }
    expect(decided(nothing, unchecked).admission.needsCheck).toBe(true)
    expect(decided((wire) => Object.assign(wire, { serial: '?' }), unchecked).admission.needsCheck).toBe(false)
    const untrusted = decided((wire) => Object.assign(wire, { startedAgoMs: 1 }), unchecked)
    expect([untrusted.outcome, untrusted.admission.needsCheck]).toEqual(['held', false])
  })
})

describe('what the test rests on', () => {
  const instrument: InstrumentFact = { ...baseFacts['instrument/INS-0031'] }
  const programming: ProgrammingFact = { ...baseFacts['programming/PG-0192'] }
  const [calibration] = baseFacts['instrument/INS-0031'].calibrations
  const withInstrument = (more: Partial<InstrumentFact>) => ({ 'instrument/INS-0031': { ...instrument, ...more } })

  test('an instrument that nobody knows, or that stood elsewhere', () => {
    expect(codes(nothing, { 'instrument/INS-0031': null })).toEqual(['instrument-mismatch'])
    const moved = { station: 'LDS-F3', instrument: 'INS-0031', from: START, until: null, recordedAt: START }
    const atStart = decided(nothing, withInstrument({ assignments: [...instrument.assignments, moved] }))
    expect(atStart.outcome).toBe('held')
    expect(atStart.codes.map(({ code }) => code)).toContain('instrument-mismatch')
    const later = decided(
      nothing,
      withInstrument({ assignments: [...instrument.assignments, { ...moved, from: START + 1 }] }),
    )
    expect(later.codes).toEqual([])
  })
  test.each([
    ['2026-03-15', ['calibration-expired']], // Ended at 00:00 local, nine hours before the test.
    ['2026-03-16', []],
  ])('a calibration due on %s', (dueOn, expected) => {
    expect(codes(nothing, withInstrument({ calibrations: [{ ...calibration, dueOn }] }))).toEqual(expected)
  })
  test('no calibration at all', () => {
    const decision = decided(nothing, withInstrument({ calibrations: [] }))
    expect(decision.codes.map(({ code }) => code)).toEqual(['calibration-expired'])
    expect(decision.admission.calibration).toBeNull()
  })
  test('a programming is asked for only where the instrument keeps programs', () => {
    const uncited = (wire: Wire) => {
      delete wire.programming
    }
    expect(codes(uncited)).toEqual(['programming-not-current'])
    expect(codes(uncited, withInstrument({ programs: null }))).toEqual([])
    expect(codes(nothing, { ...withInstrument({ programs: null }), 'programming/PG-0192': null })).toEqual([])
    expect(codes(nothing, { 'programming/PG-0192': null })).toEqual(['programming-not-current'])
  })
  test.each([
    ['ended at the start', START, ['programming-not-current']],
    ['ended a millisecond later', START + 1, []],
  ])('%s', (_, at, expected) => {
    const ended = { ...programming.programming, ending: { at, recordedAt: at } }
    expect(codes(nothing, { 'programming/PG-0192': { ...programming, programming: ended } })).toEqual(expected)
  })
  test('of another revision', () => {
    const other = { ...programming.programming, revision: 6 }
    const decision = decided(nothing, { 'programming/PG-0192': { ...programming, programming: other } })
    expect(decision.codes[0]?.facts['because']).toBe('other-revision')
  })
  test('what is taken away after the test refuses nothing and makes it suspect', () => {
    const ended = { ...programming.programming, ending: { at: START - 60_000, recordedAt: START + 3_600_000 } }
    const decision = decided(nothing, { 'programming/PG-0192': { ...programming, programming: ended } })
    expect([decision.outcome, decision.admission.worth.suspect]).toEqual(['accepted', true])
    const known = { ...ended, ending: { at: START - 60_000, recordedAt: START } }
    expect(decided(nothing, { 'programming/PG-0192': { ...programming, programming: known } }).outcome).toBe('held')
  })
  test('what is recorded late settles', () => {
    const late = { ...calibration, recordedAt: RECEIVED + 3_600_000 }
    const decision = decided(nothing, withInstrument({ calibrations: [late] }))
    expect([decision.outcome, decision.admission.worth.suspect]).toEqual(['accepted', false])
    expect(decision.admission.calibration).toEqual(late)
  })
})

describe('how long, and how much', () => {
  test.each([
    ['2026-03-16T09:04:39.200+00:00', []],
    ['2026-03-16T09:04:39.199+00:00', ['run-too-long']],
  ])('started at %s: %j', (startedAt, expected) => {
    expect(codes((wire) => Object.assign(wire, { startedAt }))).toEqual(expected)
  })
  test('over-stress holds the run, with the place and the numbers', () => {
    const decision = decided((wire) => {
      stepIn(wire, 'strength').measurements[0].testVoltage.value = '1985'
    })
    expect([decision.outcome, decision.verdict]).toEqual(['held', 'pass'])
    expect(decision.codes).toEqual([
      {
        code: 'over-stress',
        pointer: '/steps/1/measurements/0',
        facts: {
          step: 'strength',
          measurement: 'live-to-earth',
          stress: 'testVoltage',
          measured: '1985 V',
          least: '1200 V',
          most: '1287.5 V',
        },
      },
    ])
  })
})

describe('all codes are given, the worst outcome counts', () => {
  test('a stale run by an unknown person with an expired calibration', () => {
    const decision = decided((wire) => Object.assign(wire, { purpose: 'engineering', stationVerdict: 'fail' }), {
      'person/P-0417': null,
      'instrument/INS-0031': { ...baseFacts['instrument/INS-0031'], calibrations: [] },
      'revision/ex36-final/7': {
        ...revisionFact,
        inForce: [{ variant: 'EX36-3M', from: IN_FORCE_FROM, until: START }],
      },
    })
    expect(decision.codes.map(({ code }) => code)).toEqual([
      'person-unknown',
      'purpose-not-allowed',
      'revision-stale',
      'calibration-expired',
    ])
    // Promise 5: rejected, and the failure that the station reported is not lost.
    expect([decision.outcome, decision.judgement, decision.reportedFailure]).toEqual(['rejected', null, true])
  })
  test('an untrusted start is asked nothing, and is never stale', () => {
    const decision = decided((wire) => Object.assign(wire, { startedAgoMs: 1 }), {
      'instrument/INS-0031': { ...baseFacts['instrument/INS-0031'], calibrations: [] },
      'programming/PG-0192': null,
      'revision/ex36-final/7': {
        ...revisionFact,
        inForce: [{ variant: 'EX36-3M', from: IN_FORCE_FROM, until: START }],
        check: { applied: [], blocks: [{ from: IN_FORCE_FROM, until: null, causes: [] }] },
      },
    })
    expect(decision.codes.map(({ code }) => code)).toEqual(['clock-stepped'])
    expect([decision.outcome, decision.verdict]).toEqual(['held', 'pass'])
  })
  test('the editions cited are those that applied at the start, not those of the check', () => {
    const cite = (appliesFrom: number) =>
      decided(nothing, {
        'revision/ex36-final/7': {
          ...revisionFact,
          check: {
            applied: [
              { from: IN_FORCE_FROM, until: appliesFrom, editions: ['extractor-strength/2'] },
              { from: appliesFrom, until: null, editions: ['extractor-strength/3'] },
            ],
            blocks: [],
          },
        },
      }).admission.editions
    expect(cite(START + 1)).toEqual(['extractor-strength/2'])
    expect(cite(START)).toEqual(['extractor-strength/3'])
  })
})

describe('a reported failure', () => {
  test.each<[string, (wire: Wire) => void, boolean]>([
    ['nothing', nothing, false],
    ['the run', (wire) => Object.assign(wire, { stationVerdict: 'fail' }), true],
    ['a step', (wire) => Object.assign(wire.steps[1], { stationVerdict: 'fail' }), true],
    ['a measurement', (wire) => Object.assign(wire.steps[1].measurements[0], { stationVerdict: 'fail' }), true],
    ['an arc', (wire) => Object.assign(wire.steps[1].measurements[0], { termination: 'arc' }), true],
    ['a station verdict of invalid', (wire) => Object.assign(wire, { stationVerdict: 'invalid' }), false],
    [
      'a number beyond the limit',
      (wire) => Object.assign(wire.steps[1].measurements[0].reading, { value: '9' }),
      false,
    ],
  ])('by %s', (_, change, expected) => {
    expect(decided(change).reportedFailure).toBe(expected)
  })
})

test('the local day of the site ends the calibration, not the day in UTC', () => {
  const [calibration] = baseFacts['instrument/INS-0031'].calibrations
  const facts = {
    'site/leeds': { ...baseFacts['site/leeds'], timeZone: 'Asia/Tokyo' },
    'instrument/INS-0031': {
      ...baseFacts['instrument/INS-0031'],
      calibrations: [{ ...calibration, dueOn: '2026-03-16' }],
    },
  } satisfies Replaced
  const startedAt = (text: string) => {
    const moved = {
      ...upload,
      startedAt: instant(text),
      endedAt: instant(text) + 60_000,
      sentAt: instant(text) + 60_000,
      steps: [],
    }
    return decide(moved, factsFor(moved, facts), { ...context, receivedAt: moved.sentAt }).codes.map(({ code }) => code)
  }
  expect(startedAt('2026-03-16T14:59:59.999Z')).toEqual([])
  expect(startedAt('2026-03-16T15:00:00.000Z')).toEqual(['calibration-expired'])
})
