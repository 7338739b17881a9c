import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { calibrationAt } from '../../src/stations/calibration.ts'
import { instant } from '../support/clock.ts'
import { calibrated, on16 } from './facts.ts'

const performed = instant('2025-09-30T00:00:00Z')

describe('a calibration holds to the end of its due day in the zone of the site', () => {
  // Trade case T33: in UTC the second instant still lies on the due day.
  test('in Asia/Tokyo', () => {
    const calibrations = [calibrated('CAL-1', performed - 365 * 86_400_000, '2025-09-30')]
    const stateAt = (text: string) => calibrationAt(calibrations, instant(text), 'Asia/Tokyo').state
    expect(stateAt('2025-09-30T23:50:00+09:00')).toBe('current')
    expect(stateAt('2025-09-30T23:59:59.999+09:00')).toBe('current')
    expect(stateAt('2025-10-01T00:00:00.000+09:00')).toBe('expired')
    expect(stateAt('2025-10-01T00:05:00+09:00')).toBe('expired')
  })

  test.each([
    // The day before the clocks go forward, that day itself (23 h), and the day they go back (25 h).
    ['2026-03-28', '2026-03-29T00:00:00Z'],
    ['2026-03-29', '2026-03-29T23:00:00Z'],
    ['2026-10-25', '2026-10-26T00:00:00Z'],
    ['2026-10-24', '2026-10-24T23:00:00Z'],
  ])('in Europe/London, due on %s: to %s', (dueOn, end) => {
    const calibrations = [calibrated('CAL-1', performed, dueOn)]
    expect(calibrationAt(calibrations, instant(end) - 1, 'Europe/London').state).toBe('current')
    expect(calibrationAt(calibrations, instant(end), 'Europe/London')).toMatchObject({
      state: 'expired',
      endsAt: instant(end),
    })
  })
})

describe('which calibration counts', () => {
  test('none before the first was performed, and it counts from that very instant', () => {
    const calibrations = [calibrated('CAL-1', on16('06:00'), '2027-03-16')]
    expect(calibrationAt(calibrations, on16('06:00') - 1, 'Europe/London').state).toBe('none')
    expect(calibrationAt(calibrations, on16('06:00'), 'Europe/London').state).toBe('current')
    expect(calibrationAt([], on16('06:00'), 'Europe/London').state).toBe('none')
  })

  test('the newest statement counts, even where an older one is due later', () => {
    const calibrations = [calibrated('NEW', on16('06:00'), '2026-03-16'), calibrated('OLD', performed, '2027-01-01')]
    expect(calibrationAt(calibrations, instant('2026-03-17T08:00:00Z'), 'Europe/London')).toMatchObject({
      state: 'expired',
      calibration: { calibration: 'NEW' },
    })
  })

  test('of two performed at one instant the one recorded later counts', () => {
    const at = on16('06:00')
    const first = calibrated('CAL-2', at, '2027-01-01', { recordedAt: at })
    const second = calibrated('CAL-1', at, '2027-02-01', { recordedAt: at + 1 })
    for (const calibrations of [
      [first, second],
      [second, first],
    ]) {
      expect(calibrationAt(calibrations, at, 'Europe/London')).toMatchObject({ calibration: { calibration: 'CAL-1' } })
    }
  })

  test('one recorded late is not known by a view of an earlier instant', () => {
    const late = calibrated('CAL-1', on16('06:00'), '2027-03-16', { recordedAt: on16('12:00') })
    expect(calibrationAt([late], on16('08:00'), 'Europe/London').state).toBe('current')
    expect(calibrationAt([late], on16('08:00'), 'Europe/London', on16('11:59')).state).toBe('none')
    expect(calibrationAt([late], on16('08:00'), 'Europe/London', on16('12:00')).state).toBe('current')
  })

  test('the order in which they are given does not matter', () => {
    const one = fc.record({
      calibration: fc.constantFrom('A', 'B', 'C', 'D'),
      instrument: fc.constant('INS-0031'),
      performedAt: fc.integer({ min: 0, max: 5 }),
      dueOn: fc.constantFrom('1970-01-01', '1970-01-02'),
      uncertainty: fc.constant([]),
      recordedAt: fc.integer({ min: 0, max: 5 }),
    })
    const many = fc.uniqueArray(one, { selector: ({ calibration }) => calibration })
    fc.assert(
      fc.property(many, fc.integer({ min: 0, max: 6 }), (calibrations, at) => {
        const reversed = [...calibrations].reverse()
        expect(calibrationAt(reversed, at, 'Asia/Tokyo')).toEqual(calibrationAt(calibrations, at, 'Asia/Tokyo'))
      }),
    )
  })
})
