import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import {
  endOfLocalDay,
  InstantWire,
  isLocalDate,
  isTimeZone,
  LocalDateWire,
  readInstant,
  writeInstant,
} from '../../src/exact/time.ts'

function at(text: string): number {
  const read = readInstant(text)
  if (!('at' in read)) throw new Error(`${text}: ${read.refused}`)
  return read.at
}

const instant = fc
  .integer({ min: Date.UTC(0) - 1900 * 366 * 86_400_000, max: Date.UTC(9999, 11, 31, 23, 59, 59, 999) })
  .map((n) => Math.max(n, Date.parse('0000-01-01T00:00:00Z')))

describe('reading instants', () => {
  test.each([
    ['1970-01-01T00:00:00Z', 0],
    ['2026-03-16T09:14:39.930Z', 1773652479930],
    ['2026-03-16T09:14:39.930+00:00', 1773652479930],
    ['2026-03-16t18:14:39.93+09:00', 1773652479930],
    ['2026-03-16T05:44:39.93-03:30', 1773652479930],
    ['2026-03-16T09:14:39.930z', 1773652479930],
    ['2026-03-16T09:14:39.930-00:00', 1773652479930],
    ['2024-02-29T00:00:00Z', 1709164800000],
    ['2000-02-29T00:00:00Z', 951782400000],
  ])('%s', (text, expected) => {
    expect(at(text)).toBe(expected)
  })

  test('digits finer than a millisecond are cut off towards the past, before 1970 too', () => {
    expect(at('2026-03-16T09:14:39.9309999999Z')).toBe(1773652479930)
    expect(at('2026-03-16T09:14:39.999999Z')).toBe(at('2026-03-16T09:14:39.999Z'))
    expect(at('1969-12-31T23:59:59.9999Z')).toBe(-1)
    expect(at('1969-12-31T23:59:59.0009Z')).toBe(-1000)
    expect(at('2026-03-16T09:14:39.5Z') - at('2026-03-16T09:14:39Z')).toBe(500)
    expect(at('2026-03-16T09:14:39.07Z') - at('2026-03-16T09:14:39Z')).toBe(70)
  })

  test.each(['2025-09-30T23:50:00', '2025-09-30T23:50:00.123', '2025-10-26T02:30:00'])(
    '%s has no offset (trade case T33)',
    (text) => {
      expect(readInstant(text)).toEqual({ refused: 'offset-missing' })
    },
  )

  test.each([
    '',
    '2025-09-30',
    '2025-02-29T00:00:00Z',
    '1900-02-29T00:00:00Z',
    '2025-04-31T00:00:00Z',
    '2025-13-01T00:00:00Z',
    '2025-00-10T00:00:00Z',
    '2025-01-00T00:00:00Z',
    '2025-01-01T24:00:00Z',
    '2025-01-01T23:60:00Z',
    '2016-12-31T23:59:60Z',
    '2025-01-01 00:00:00Z',
    '2025-01-01T00:00Z',
    '2025-01-01T00:00:00.Z',
    '2025-01-01T00:00:00,5Z',
    '2025-01-01T00:00:00+0100',
    '2025-01-01T00:00:00+01',
    '2025-01-01T00:00:00+24:00',
    '2025-01-01T00:00:00+01:60',
    '2025-01-01T00:00:00+01:00Z',
    '2025-01-01T00:00:00Z ',
    ' 2025-01-01T00:00:00Z',
    '2025-1-01T00:00:00Z',
    '+002025-01-01T00:00:00Z',
    '12025-01-01T00:00:00Z',
    '2025/01/01T00:00:00Z',
    '20250101T000000Z',
    '\u0662025-01-01T00:00:00Z',
    '9999-12-31T23:59:59-00:01',
    '0000-01-01T00:00:00+00:01',
    `2025-01-01T00:00:00.${'1'.repeat(1000)}Z`,
    1773652479930,
    null,
    undefined,
    {},
  ])('%j is refused', (text) => {
    expect(readInstant(text)).toEqual({ refused: 'field-invalid' })
  })

  test('agrees with the engine on every instant and offset', () => {
    const offset = fc.record({
      sign: fc.constantFrom('+', '-'),
      h: fc.integer({ min: 0, max: 23 }),
      m: fc.integer({ min: 0, max: 59 }),
    })
    fc.assert(
      fc.property(instant, offset, (ms, { sign, h, m }) => {
        const digits = (n: number): string => String(n).padStart(2, '0')
        const local = writeInstant(ms).slice(0, -1)
        const text = `${local}${sign}${digits(h)}:${digits(m)}`
        const expected = Date.parse(text)
        const inRange =
          expected >= Date.parse('0000-01-01T00:00:00Z') && expected <= Date.parse('9999-12-31T23:59:59.999Z')
        expect(readInstant(text)).toEqual(inRange ? { at: expected } : { refused: 'field-invalid' })
      }),
      { numRuns: 1000 },
    )
  })
})

describe('writing instants', () => {
  test('reading what was written gives the same instant', () => {
    fc.assert(
      fc.property(instant, (ms) => at(writeInstant(ms)) === ms),
      { numRuns: 1000 },
    )
    expect(writeInstant(1773652479930)).toBe('2026-03-16T09:14:39.930Z')
  })

  test.each([Number.NaN, 0.5, Date.parse('9999-12-31T23:59:59.999Z') + 1, Date.parse('0000-01-01T00:00:00Z') - 1])(
    '%d is no instant',
    (ms) => {
      expect(() => writeInstant(ms)).toThrow(RangeError)
    },
  )

  test('the wire schema says which fault it is', () => {
    expect(InstantWire.safeParse('2026-03-16T09:14:39.930Z').success).toBe(true)
    const missing = InstantWire.safeParse('2025-09-30T23:50:00').error?.issues[0]
    expect(missing).toMatchObject({ code: 'custom', params: { refused: 'offset-missing' } })
    const invalid = InstantWire.safeParse('yesterday').error?.issues[0]
    expect(invalid).toMatchObject({ code: 'custom', params: { refused: 'field-invalid' } })
  })
})

describe('zones and local days', () => {
  test('names of the IANA database are zones, offsets and nonsense are not', () => {
    for (const zone of ['Europe/London', 'Asia/Tokyo', 'America/St_Johns', 'UTC', 'Etc/GMT+5'])
      expect(isTimeZone(zone)).toBe(true)
    for (const none of ['', 'Europe/Leeds', '+01:00', 'GMT+1:00', '../etc/passwd', 'x'.repeat(1000), "'; --"]) {
      expect(isTimeZone(none)).toBe(false)
    }
  })

  test('dates', () => {
    for (const date of ['2026-03-16', '2024-02-29', '9999-12-31'])
      expect(LocalDateWire.safeParse(date).success).toBe(true)
    for (const none of ['2025-02-29', '2026-3-16', '2026-03-16T00:00:00Z', '0000-01-01', '', '2026-13-01']) {
      expect(isLocalDate(none)).toBe(false)
      expect(LocalDateWire.safeParse(none).success).toBe(false)
    }
  })

  test('a due date ends at local midnight, not at midnight UTC (trade case T33)', () => {
    const due = endOfLocalDay('2025-09-30', 'Asia/Tokyo')
    expect(at('2025-09-30T23:50:00+09:00') < due).toBe(true)
    expect(at('2025-10-01T00:05:00+09:00') < due).toBe(false)
    expect(due).toBe(at('2025-10-01T00:00:00+09:00'))
  })

  // Transitions as in the IANA time zone database.
  test.each([
    ['2026-03-28', 'Europe/London', '2026-03-29T00:00:00+00:00'],
    ['2026-03-29', 'Europe/London', '2026-03-30T00:00:00+01:00'],
    ['2026-10-24', 'Europe/London', '2026-10-25T00:00:00+01:00'],
    ['2026-10-25', 'Europe/London', '2026-10-26T00:00:00+00:00'],
    ['2026-12-31', 'UTC', '2027-01-01T00:00:00Z'],
    ['2024-02-28', 'America/New_York', '2024-02-29T00:00:00-05:00'],
    // Clocks went from 24:00 to 01:00: the next day began at 01:00.
    ['2018-11-03', 'America/Sao_Paulo', '2018-11-04T01:00:00-02:00'],
    // Clocks went from 24:00 back to 23:00: midnight came once, an hour later.
    ['2023-10-26', 'Africa/Cairo', '2023-10-27T00:00:00+02:00'],
    // Clocks went back at 00:01, when the next day had already begun.
    ['2010-11-06', 'America/St_Johns', '2010-11-07T00:00:00-02:30'],
    // The 30th was left out.
    ['2011-12-29', 'Pacific/Apia', '2011-12-31T00:00:00+14:00'],
  ])('%s in %s ends at %s', (date, zone, end) => {
    expect(writeInstant(endOfLocalDay(date, zone))).toBe(writeInstant(at(end)))
  })

  test('the instant before the end shows the date, the end shows a later one', () => {
    const zones = [
      'Europe/London',
      'Asia/Tokyo',
      'America/New_York',
      'Africa/Cairo',
      'Australia/Lord_Howe',
      'America/Asuncion',
      'Asia/Beirut',
      'Pacific/Kiritimati',
    ]
    const days = fc.integer({ min: Date.UTC(1990, 0) / 86_400_000, max: Date.UTC(2040, 0) / 86_400_000 })
    fc.assert(
      fc.property(days, fc.constantFrom(...zones), (day, zone) => {
        const date = new Date(day * 86_400_000).toISOString().slice(0, 10)
        const local = new Intl.DateTimeFormat('en-CA', {
          timeZone: zone,
          year: 'numeric',
          month: '2-digit',
          day: '2-digit',
        })
        const end = endOfLocalDay(date, zone)
        // Kiritimati left out 1994-12-31, so the instant before may show an earlier date.
        expect(local.format(end - 1) <= date).toBe(true)
        expect(local.format(end) > date).toBe(true)
      }),
      { numRuns: 500 },
    )
  })

  test('nonsense is the caller’s mistake', () => {
    expect(() => endOfLocalDay('2025-02-29', 'UTC')).toThrow(RangeError)
    expect(() => endOfLocalDay('2025-02-28', 'Mars/Olympus')).toThrow(RangeError)
  })
})
