import { describe, expect, test } from 'vitest'
import {
  type AssignmentFacts,
  decideAssignment,
  type RevisionInForce,
  TRUST_MS,
} from '../../src/stations/assignment.ts'
import { NO_CHECKS, type StationCheck } from '../../src/stations/station-check.ts'
import { AssignmentWire } from '../../src/stations/words.ts'
import { instant } from '../support/clock.ts'
import { calibrated, capable, DIGEST, ex36Final, on16, placed, programmed } from './facts.ts'

const NEXT_DIGEST = `sha256:${'8'.repeat(64)}`

function inForce(change: Partial<RevisionInForce> = {}): RevisionInForce {
  return {
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: DIGEST,
    content: ex36Final(),
    from: on16('04:00'),
    until: null,
    isChecked: true,
    blocks: [],
    ...change,
  }
}

function facts(change: Partial<AssignmentFacts> = {}): AssignmentFacts {
  return {
    station: 'LDS-F2',
    site: 'leeds',
    timeZone: 'Europe/London',
    product: 'EX36',
    operation: 'final',
    variant: 'EX36-3M',
    variants: ['EX36-3M', 'EX36-5M'],
    revisions: [inForce()],
    assignments: [placed('LDS-F2', 'INS-0031', on16('04:00'))],
    capabilities: new Map([['INS-0031', capable]]),
    calibrations: [calibrated('CAL-2026-0118', on16('04:00'), '2026-12-31')],
    programmings: [programmed('PG-0192', on16('05:00'))],
    checks: NO_CHECKS,
    ...change,
  }
}

const now = on16('09:00')
const decide = (change: Partial<AssignmentFacts> = {}, at = now) => {
  const { assignment } = decideAssignment(facts(change), at)
  return AssignmentWire.parse(assignment)
}
const codes = (change: Partial<AssignmentFacts> = {}, at = now) => decide(change, at).reasons.map(({ code }) => code)

test('a station with everything in place may test', () => {
  expect(decide()).toEqual({
    station: 'LDS-F2',
    product: 'EX36',
    variant: 'EX36-3M',
    operation: 'final',
    mayTest: true,
    reasons: [],
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: DIGEST,
    programming: 'PG-0192',
    inForceFrom: '2026-03-16T04:00:00.000Z',
    inForceUntil: null,
    instrument: 'INS-0031',
    next: null,
    checkDueAt: null,
    leadOffsetDueAt: null,
    trustUntil: '2026-03-16T21:00:00.000Z',
  })
})

describe('each reason against', () => {
  test.each<[string, Partial<AssignmentFacts>]>([
    ['product-unknown', { variants: undefined, revisions: [] }],
    ['variant-unknown', { variant: 'EX36-9M', revisions: [] }],
    ['variant-unknown', { variant: undefined, revisions: [] }],
    ['variant-unknown', { variants: [''], revisions: [] }],
    ['nothing-in-force', { revisions: [] }],
    ['nothing-in-force', { revisions: [inForce({ from: now + 1 })] }],
    ['revision-unchecked', { revisions: [inForce({ isChecked: false })] }],
    ['revision-blocked', { revisions: [inForce({ blocks: [{ from: now, until: null }] })] }],
    ['instrument-missing', { assignments: [] }],
    [
      'instrument-not-capable',
      { capabilities: new Map([['INS-0031', { ...capable, kinds: capable.kinds.slice(1) }]]) },
    ],
    ['calibration-expired', { calibrations: [] }],
    ['calibration-expired', { calibrations: [calibrated('CAL-1', on16('04:00'), '2026-03-15')] }],
    ['programming-missing', { programmings: [] }],
    ['programming-missing', { programmings: [programmed('PG-0192', on16('05:00'), { revision: 6 })] }],
    [
      'programming-missing',
      { programmings: [programmed('PG-0192', on16('05:00'), { ending: { at: now, recordedAt: now } })] },
    ],
  ])('%s', (code, change) => {
    const answer = decide(change)
    expect(answer.reasons.map((reason) => reason.code)).toEqual([code])
    expect(answer).toMatchObject({ mayTest: false, trustUntil: null })
    for (const { action } of answer.reasons) {
      expect(action).toMatch(/^[A-Z].*\.$/)
      expect(action).not.toMatch(/undefined|null|\[object| {2}| \./)
    }
  })

  test('all of them are given together', () => {
    const everything = {
      revisions: [inForce({ isChecked: false, blocks: [{ from: on16('08:00'), until: null }] })],
      calibrations: [],
      programmings: [],
    }
    expect(codes(everything)).toEqual([
      'revision-unchecked',
      'revision-blocked',
      'calibration-expired',
      'programming-missing',
    ])
  })

  test('an instrument that keeps no programs is never asked for a programming', () => {
    const capabilities = new Map([['INS-0031', { ...capable, programs: null }]])
    expect(decide({ capabilities, programmings: [] })).toMatchObject({ mayTest: true, programming: null })
  })

  test('a product without variants is asked for without one', () => {
    expect(decide({ variants: [''], variant: undefined })).toMatchObject({ mayTest: true, variant: null })
  })
})

describe('at the instant of a change the new state holds', () => {
  test('block, calibration, instrument, programming', () => {
    const block = { revisions: [inForce({ blocks: [{ from: on16('10:00'), until: null }] })] }
    expect(codes(block, on16('10:00') - 1)).toEqual([])
    expect(codes(block, on16('10:00'))).toEqual(['revision-blocked'])

    // 29 March 2026 has 23 hours in London and ends at 23:00 UTC.
    const due = { calibrations: [calibrated('CAL-1', on16('04:00'), '2026-03-29')] }
    expect(codes(due, instant('2026-03-29T22:59:59.999Z'))).toEqual([])
    expect(codes(due, instant('2026-03-29T23:00:00.000Z'))).toEqual(['calibration-expired'])

    const moved = {
      assignments: [placed('LDS-F2', 'INS-0031', on16('04:00')), placed('LDS-F3', 'INS-0031', on16('10:00'))],
    }
    expect(codes(moved, on16('10:00') - 1)).toEqual([])
    expect(codes(moved, on16('10:00'))).toEqual(['instrument-missing'])

    const others = {
      programmings: [programmed('PG-0192', on16('05:00')), programmed('PG-0193', on16('10:00'), { revision: 6 })],
    }
    expect(codes(others, on16('10:00') - 1)).toEqual([])
    expect(codes(others, on16('10:00'))).toEqual(['programming-missing'])
  })

  test('succession', () => {
    const successor = inForce({ revision: 8, revisionDigest: NEXT_DIGEST, from: on16('10:00') })
    const change = { revisions: [inForce({ until: on16('10:00') }), successor] }
    expect(decide(change, on16('10:00') - 1)).toMatchObject({ revision: 7, next: { revision: 8 } })
    expect(decide(change, on16('10:00'))).toMatchObject({ revision: 8, next: null, programming: null })
  })
})

describe('trust', () => {
  const until = on16('15:00')
  const successor = inForce({ revision: 8, revisionDigest: NEXT_DIGEST, from: until })
  const forBoth = [
    programmed('PG-0192', on16('05:00')),
    programmed('PG-0200', on16('08:00'), { programs: ['5', '6'], revision: 8, revisionDigest: NEXT_DIGEST }),
  ]
  const trust = (change: Partial<AssignmentFacts>) => decide(change).trustUntil

  test('lasts twelve hours where nothing ends before', () => {
    expect(trust({})).toBe(new Date(now + TRUST_MS).toISOString())
  })

  test('ends with the calibration', () => {
    expect(trust({ calibrations: [calibrated('CAL-1', on16('04:00'), '2026-03-16')] })).toBe('2026-03-16T21:00:00.000Z')
    const tokyo = { timeZone: 'Asia/Tokyo', calibrations: [calibrated('CAL-1', on16('04:00'), '2026-03-16')] }
    expect(trust(tokyo)).toBe('2026-03-16T15:00:00.000Z')
  })

  test('ends with the revision where none follows', () => {
    expect(trust({ revisions: [inForce({ until })] })).toBe('2026-03-16T15:00:00.000Z')
  })

  test('goes on over a successor that may be used', () => {
    const change = { revisions: [inForce({ until }), successor], programmings: forBoth }
    expect(decide(change)).toMatchObject({
      inForceUntil: '2026-03-16T15:00:00.000Z',
      trustUntil: '2026-03-16T21:00:00.000Z',
      next: {
        mayTest: true,
        reasons: [],
        plan: 'ex36-final',
        revision: 8,
        revisionDigest: NEXT_DIGEST,
        programming: 'PG-0200',
        inForceFrom: '2026-03-16T15:00:00.000Z',
        inForceUntil: null,
      },
    })
  })

  test('ends where the successor may not be used, begins later, or ends itself', () => {
    const both = (next: Partial<RevisionInForce>) => ({
      revisions: [inForce({ until }), { ...successor, ...next }],
      programmings: forBoth,
    })
    const blocked = both({ blocks: [{ from: until, until: null }] })
    expect(trust(blocked)).toBe('2026-03-16T15:00:00.000Z')
    expect(decide(blocked).next).toMatchObject({ mayTest: false, reasons: [{ code: 'revision-blocked' }] })
    expect(trust({ ...both({}), programmings: forBoth.slice(0, 1) })).toBe('2026-03-16T15:00:00.000Z')
    expect(trust(both({ from: until + 1 }))).toBe('2026-03-16T15:00:00.000Z')
    expect(trust(both({ until: on16('18:00') }))).toBe('2026-03-16T18:00:00.000Z')
  })

  test('ends where a block begins, the instrument goes or the programming is known to end', () => {
    const at = on16('13:00')
    const expected = '2026-03-16T13:00:00.000Z'
    expect(trust({ revisions: [inForce({ blocks: [{ from: at, until: null }] })] })).toBe(expected)
    expect(trust({ assignments: [placed('LDS-F2', 'INS-0031', on16('04:00'), { until: at })] })).toBe(expected)
  })
})

describe('checks of the station', () => {
  const demand = { effectiveFrom: on16('00:00'), kinds: ['protective-bonding' as const], validFor: 12 * 3_600_000 }
  const checked = (time: string, found: 'pass' | 'fail' = 'fail', instrument = 'INS-0031'): StationCheck => ({
    stationCheck: `SC-${time}`,
    instrument,
    at: on16(time),
    recordedAt: on16(time),
    results: [
      { referenceUnit: 'REF-GOOD', kind: 'protective-bonding', expected: 'pass', found: 'pass' },
      { referenceUnit: 'REF-OPEN', kind: 'protective-bonding', expected: 'fail', found },
    ],
  })
  const answer = (checks: StationCheck[], demands = [demand]) => decide({ checks: { demands, checks } })

  test('it may test until the check is due, and trust ends there', () => {
    expect(answer([checked('05:00')])).toMatchObject({
      mayTest: true,
      checkDueAt: '2026-03-16T17:00:00.000Z',
      trustUntil: '2026-03-16T17:00:00.000Z',
    })
  })

  test('it may not where there is none, none of this instrument, or a fault passed', () => {
    const reasons = (checks: StationCheck[]) =>
      answer(checks).reasons.map(({ code, facts: { kinds } }) => [code, kinds])
    expect(reasons([])).toEqual([['check-missing', ['protective-bonding']]])
    expect(reasons([checked('05:00', 'fail', 'INS-0040')])).toEqual([['check-missing', ['protective-bonding']]])
    expect(reasons([checked('05:00'), checked('08:00', 'pass')])).toEqual([['station-locked', ['protective-bonding']]])
    expect(answer([]).reasons[0]?.action).toBe(
      'Station LDS-F2 has no valid check for protective-bonding. Check it with its reference units, and have that recorded.',
    )
  })

  test('trust ends before a plan takes effect that may ask for more', () => {
    const later = { ...demand, effectiveFrom: on16('10:30') }
    expect(answer([], [later])).toMatchObject({ mayTest: true, trustUntil: '2026-03-16T10:30:00.000Z' })
  })
})
