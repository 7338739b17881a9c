import { describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { readClock } from '../../src/judging/admit-clock.ts'
import { decide } from '../../src/judging/decide.ts'
import type { RevisionFact } from '../../src/judging/facts.ts'
import {
  changedUpload,
  codesOf,
  context,
  factsFor,
  IN_FORCE_FROM,
  instant,
  OPENED,
  RECEIVED,
  revisionFact,
  type Wire,
} from './aldermoor.ts'

/** The example, sent so long before its receipt (below zero: by a clock that is fast). */
const skewed = (skewMs: number, more: (wire: Wire) => void = () => {}) =>
  changedUpload((wire) => {
    const shift = instant(wire.sentAt) + skewMs - RECEIVED
    for (const member of ['sentAt', 'startedAt', 'endedAt']) wire[member] = writeInstant(instant(wire[member]) - shift)
    for (const step of wire.steps) {
      for (const member of ['startedAt', 'endedAt']) step[member] = writeInstant(instant(step[member]) - shift)
    }
    more(wire)
  })
const decided = (upload = changedUpload(), revision: RevisionFact = revisionFact) =>
  decide(upload, factsFor(upload, { 'revision/ex36-final/7': revision }), context)

describe('skew is received minus sent', () => {
  test.each([
    [0, false, []],
    [2_000, false, []],
    [-2_000, false, []],
    [2_001, true, []],
    [-2_001, true, []],
    [120_000, true, []],
    [-120_000, true, []],
    [120_001, false, ['clock-skew']],
    // Sent 34.68 s after its start: by a clock two minutes fast it starts behind its receipt.
    [-120_001, false, ['clock-skew', 'clock-implausible']],
  ])('%d ms: corrected %s, codes %j', (skewMs, corrected, codes) => {
    const upload = skewed(skewMs)
    const clock = readClock(upload, OPENED, RECEIVED)
    expect(clock.skewMs).toBe(skewMs)
    expect(clock.codes.map(({ code }) => code)).toEqual(codes)
    const placed = codes.includes('clock-implausible') ? null : upload.startedAt + (corrected ? skewMs : 0)
    expect(clock.startedAtUsed).toBe(placed)
    const decision = decided(upload)
    expect(decision.codes.map(({ code }) => code)).toEqual(codes)
    expect(decision.outcome).toBe(codes.length === 0 ? 'accepted' : 'held')
    expect(decision.verdict).toBe('pass') // Held is judged all the same.
  })

  test('T30: 20 s fast is corrected, and its start as sent may lie behind the receipt', () => {
    const upload = skewed(-40_000)
    expect(upload.startedAt).toBeGreaterThan(RECEIVED)
    expect(decided(upload).outcome).toBe('accepted')
    expect(decided(upload).admission.startedAtUsed).toBeLessThan(RECEIVED)
  })
})

describe('implausible starts', () => {
  test.each([
    '2000-01-01T00:03:00.000+00:00',
    '9999-12-31T23:59:59.999Z',
    '2019-12-31T23:59:59.999Z',
    '1970-01-01T00:00:00Z',
  ])('%s is held and judged, never refused', (startedAt) => {
    const upload = skewed(0, (wire) => {
      const shift = instant(startedAt) - instant(wire.startedAt)
      for (const part of [wire, ...wire.steps]) {
        for (const member of ['startedAt', 'endedAt']) {
          // The last milliseconds of the calendar leave no room for the steps behind the start.
          part[member] = writeInstant(Math.min(instant(part[member]) + shift, instant('9999-12-31T23:59:59.999Z')))
        }
      }
    })
    const decision = decided(upload)
    expect(decision.codes.map(({ code }) => code)).toContain('clock-implausible')
    expect(decision.outcome).toBe('held')
    expect(decision.admission.startedAtUsed).toBeNull()
    expect(decision.verdict).not.toBeNull()
  })
  test('the opening of the site itself is plausible, the millisecond before is not', () => {
    expect(readClock({ ...skewed(0), startedAt: OPENED }, OPENED, RECEIVED).codes).toEqual([])
    expect(codesOf({ reasons: readClock({ ...skewed(0), startedAt: OPENED - 1 }, OPENED, RECEIVED).codes })).toEqual([
      'clock-implausible',
    ])
  })
  test('a start a moment behind the receipt is not believed', () => {
    const upload = { ...skewed(-1_000), startedAt: RECEIVED + 1, endedAt: RECEIVED + 1 }
    expect(codesOf({ reasons: readClock(upload, OPENED, RECEIVED).codes })).toEqual(['clock-implausible'])
  })
})

describe('a clock that was set in between', () => {
  const ago = (startedAgoMs: number) => readClock({ ...changedUpload(), startedAgoMs }, OPENED, RECEIVED).codes
  test('timer and clock may differ by two seconds', () => {
    expect([ago(34_680), ago(36_680), ago(32_680)]).toEqual([[], [], []])
    expect(codesOf({ reasons: ago(36_681) })).toEqual(['clock-stepped'])
    expect(codesOf({ reasons: ago(32_679) })).toEqual(['clock-stepped'])
  })
  test('a test cannot end after it was sent', () => {
    const upload = changedUpload()
    const ended = (endedAt: number) => readClock({ ...upload, endedAt }, OPENED, RECEIVED).codes
    expect(ended(upload.sentAt)).toEqual([])
    expect(codesOf({ reasons: ended(upload.sentAt + 1) })).toEqual(['clock-stepped'])
  })
})

describe('a start between transport and tolerance must find the same state twice', () => {
  const upload = skewed(60_000)
  const corrected = upload.startedAt + 60_000
  const inForce = (from: number, until: number | null): RevisionFact => ({
    ...revisionFact,
    inForce: [{ variant: 'EX36-3M', from, until }],
  })
  const codes = (revision: RevisionFact) => decided(upload, revision).codes.map(({ code }) => code)

  test('the revision: in force at one of the two only', () => {
    expect(codes(inForce(corrected, null))).toEqual(['start-uncertain'])
    expect(codes(inForce(upload.startedAt + 1, null))).toEqual(['start-uncertain'])
    expect(codes(inForce(IN_FORCE_FROM, corrected))).toEqual(['start-uncertain'])
    expect(decided(upload, inForce(corrected, null)).outcome).toBe('held')
  })
  test('the revision: the same at both', () => {
    expect(codes(inForce(upload.startedAt, null))).toEqual([])
    expect(codes(inForce(corrected + 1, null))).toEqual(['revision-not-yet-in-force'])
    expect(codes(inForce(IN_FORCE_FROM, upload.startedAt))).toEqual(['revision-stale'])
    expect(codes(inForce(IN_FORCE_FROM, corrected + 1))).toEqual([])
  })
  test('the block', () => {
    const blocked = (from: number) =>
      codes({
        ...revisionFact,
        check: { applied: [], blocks: [{ from, until: null, causes: ['requirement-not-met'] }] },
      })
    expect(blocked(corrected)).toEqual(['start-uncertain'])
    expect(blocked(upload.startedAt)).toEqual(['revision-blocked'])
    expect(blocked(corrected + 1)).toEqual([])
  })
  test('the calibration, and the programming', () => {
    const facts = factsFor(upload)
    const instrument = facts.entries.get('instrument/INS-0031')
    if (instrument?.kind !== 'instrument') expect.fail('it is loaded')
    const newer = {
      calibration: 'CAL-2026-0316',
      instrument: 'INS-0031',
      performedAt: corrected,
      dueOn: '2027-03-16',
      uncertainty: [],
      recordedAt: corrected,
    }
    const decision = decide(
      upload,
      factsFor(upload, {
        'instrument/INS-0031': { ...instrument, calibrations: [...instrument.calibrations, newer] },
      }),
      context,
    )
    expect(decision.codes).toEqual([
      {
        code: 'start-uncertain',
        pointer: '/startedAt',
        facts: {
          about: 'calibration',
          startedAt: writeInstant(upload.startedAt),
          startedAtCorrected: writeInstant(corrected),
        },
      },
    ])
    const programming = facts.entries.get('programming/PG-0192')
    if (programming?.kind !== 'programming') expect.fail('it is loaded')
    const ended = { ...programming.programming, ending: { at: corrected, recordedAt: corrected } }
    const atEnd = factsFor(upload, { 'programming/PG-0192': { ...programming, programming: ended } })
    expect(decide(upload, atEnd, context).codes.map(({ code, facts: { about } }) => [code, about])).toEqual([
      ['start-uncertain', 'programming'],
    ])
  })
})
