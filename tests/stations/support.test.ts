import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { NO_CHECKS } from '../../src/stations/station-check.ts'
import { type SupportFacts, supportAt } from '../../src/stations/support.ts'
import { calibrated, DIGEST, on16, placed, programmed } from './facts.ts'

const cited = { key: 'PG-0192', plan: 'ex36-final', revision: 7, revisionDigest: DIGEST }

function facts(change: Partial<SupportFacts> = {}): SupportFacts {
  return {
    station: 'LDS-F2',
    instrument: 'INS-0031',
    timeZone: 'Europe/London',
    assignments: [placed('LDS-F2', 'INS-0031', on16('05:00'))],
    calibrations: [calibrated('CAL-2026-0118', on16('05:00'), '2026-12-31')],
    programming: { ...cited, programming: programmed('PG-0192', on16('06:00')), others: [] },
    checks: NO_CHECKS,
    kinds: ['protective-bonding', 'electric-strength-ac'],
    ...change,
  }
}

const start = on16('09:00')
const late = { recordedAt: on16('12:00') }

test('a test with everything in place is admitted, unsuspected, and cites its calibration', () => {
  expect(supportAt(facts(), start)).toEqual({
    missing: [],
    suspect: false,
    suspectKinds: [],
    isClosed: false,
    calibration: calibrated('CAL-2026-0118', on16('05:00'), '2026-12-31'),
  })
})

describe('what was recorded late and adds a fact settles it', () => {
  test.each([
    ['instrument', { assignments: [placed('LDS-F2', 'INS-0031', on16('05:00'), late)] }],
    ['calibration', { calibrations: [calibrated('CAL-2026-0118', on16('05:00'), '2026-12-31', late)] }],
    ['programming', { programming: { ...cited, programming: programmed('PG-0192', on16('06:00'), late), others: [] } }],
  ])('%s', (_name, change) => {
    expect(supportAt(facts(change), start)).toMatchObject({ missing: [], suspect: false })
  })
})

describe('what was recorded late and takes a fact away refuses nothing, and makes it suspect', () => {
  test('the instrument stood elsewhere', () => {
    const assignments = [placed('LDS-F2', 'INS-0031', on16('05:00')), placed('OSA-A1', 'INS-0031', on16('08:00'), late)]
    expect(supportAt(facts({ assignments, programming: undefined }), start)).toMatchObject({
      missing: [],
      suspect: true,
    })
    // Recorded before the start, it refuses.
    const known = [placed('LDS-F2', 'INS-0031', on16('05:00')), placed('OSA-A1', 'INS-0031', on16('08:00'))]
    expect(supportAt(facts({ assignments: known, programming: undefined }), start).missing).toMatchObject([
      { code: 'instrument-mismatch', facts: { station: 'LDS-F2', instrument: 'INS-0031' } },
    ])
  })

  test('a newer calibration was due already; the one known at the start is cited', () => {
    const calibrations = [
      calibrated('CAL-2026-0118', on16('05:00'), '2026-12-31'),
      calibrated('CAL-SHORT', on16('05:30'), '2026-03-15', late),
    ]
    expect(supportAt(facts({ calibrations }), start)).toMatchObject({
      missing: [],
      suspect: true,
      calibration: { calibration: 'CAL-2026-0118' },
    })
  })

  test('the programming had ended', () => {
    const ended = programmed('PG-0192', on16('06:00'), { ending: { at: on16('08:00'), ...late } })
    expect(supportAt(facts({ programming: { ...cited, programming: ended, others: [] } }), start)).toMatchObject({
      missing: [],
      suspect: true,
    })
  })

  test('each of the three is asked on its own: one settled late does not undo what another allowed in time', () => {
    const calibrations = [calibrated('CAL-2026-0118', on16('05:00'), '2026-12-31', late)]
    const ended = programmed('PG-0192', on16('06:00'), { ending: { at: on16('08:00'), ...late } })
    const both = facts({ calibrations, programming: { ...cited, programming: ended, others: [] } })
    expect(supportAt(both, start)).toMatchObject({ missing: [], suspect: true })
  })
})

test('a view is by the start: recorded at the start itself is known, a millisecond later is not', () => {
  const taken = (recordedAt: number) => [
    placed('LDS-F2', 'INS-0031', on16('05:00')),
    placed('OSA-A1', 'INS-0031', on16('08:00'), { recordedAt }),
  ]
  const missingAt = (recordedAt: number) =>
    supportAt(facts({ assignments: taken(recordedAt), programming: undefined }), start).missing.length
  expect(missingAt(start)).toBe(1)
  expect(missingAt(start + 1)).toBe(0)
})

describe('programming-not-current says why', () => {
  const programming = programmed('PG-0192', on16('06:00'))
  test.each([
    ['not cited', { key: undefined, programming: undefined }, { because: 'not-cited' }],
    ['unknown', { programming: undefined }, { programming: 'PG-0192', because: 'unknown' }],
    ['of another station', { programming: { ...programming, station: 'LDS-F3' } }, { because: 'elsewhere' }],
    [
      'of another revision',
      { programming: { ...programming, revision: 6 } },
      { because: 'other-revision', revision: '6' },
    ],
    ['keyed after the start', { programming: programmed('PG-0192', on16('09:00:00.001')) }, { because: 'not-yet' }],
    ['overwritten', { others: [programmed('PG-0193', on16('09:00'))] }, { because: 'reprogrammed' }],
  ])('%s', (_name, change, expected) => {
    const given = facts({ programming: { ...cited, programming, others: [], ...change } })
    expect(supportAt(given, start).missing).toMatchObject([{ code: 'programming-not-current', facts: expected }])
  })

  test('and it is never asked for where the instrument keeps no programs', () => {
    expect(supportAt(facts({ programming: undefined }), start).missing).toEqual([])
  })
})

test('all that is missing is told', () => {
  const nothing = facts({
    assignments: [placed('LDS-F2', 'INS-0040', on16('05:00'))],
    calibrations: [],
    programming: { ...cited, programming: undefined, others: [] },
  })
  expect(supportAt(nothing, start)).toEqual({
    missing: [
      { code: 'instrument-mismatch', facts: { station: 'LDS-F2', instrument: 'INS-0031', assigned: 'INS-0040' } },
      { code: 'calibration-expired', facts: { instrument: 'INS-0031' } },
      { code: 'programming-not-current', facts: { programming: 'PG-0192', because: 'unknown' } },
    ],
    suspect: true,
    suspectKinds: [],
    isClosed: false,
    calibration: undefined,
  })
})

test('recording any further fact after the start never refuses a test that was admitted before', () => {
  const after = fc.integer({ min: start + 1, max: start + 10_000_000 })
  const anyInstant = fc.integer({ min: on16('05:00'), max: start + 10_000_000 })
  const further = fc.oneof(
    fc.tuple(after, anyInstant, fc.constantFrom('LDS-F2', 'OSA-A1')).map(([recordedAt, from, station]) => ({
      assignments: [placed(station, station === 'OSA-A1' ? 'INS-0031' : 'INS-0040', from, { recordedAt })],
    })),
    fc.tuple(after, anyInstant).map(([recordedAt, performedAt]) => ({
      calibrations: [calibrated('CAL-X', performedAt, '2026-03-01', { recordedAt })],
    })),
    fc.tuple(after, anyInstant).map(([recordedAt, at]) => ({ others: [programmed('PG-X', at, { recordedAt })] })),
  )
  fc.assert(
    fc.property(fc.array(further, { maxLength: 6 }), (more) => {
      const base = facts()
      const grown = facts({
        assignments: [...base.assignments, ...more.flatMap((one) => ('assignments' in one ? one.assignments : []))],
        calibrations: [...base.calibrations, ...more.flatMap((one) => ('calibrations' in one ? one.calibrations : []))],
        programming: {
          ...cited,
          programming: programmed('PG-0192', on16('06:00')),
          others: more.flatMap((one) => ('others' in one ? one.others : [])),
        },
      })
      expect(supportAt(grown, start).missing).toEqual([])
    }),
  )
})
