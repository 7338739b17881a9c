import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { holdsInstrument, instrumentAt } from '../../src/stations/instrument-assignment.ts'
import { on16, placed } from './facts.ts'

const here = { station: 'LDS-F2', instrument: 'INS-0031' }

describe('an instrument stands at a station', () => {
  test('from the first instant on, and not before', () => {
    const rows = [placed('LDS-F2', 'INS-0031', on16('06:00'))]
    expect(holdsInstrument(rows, here, on16('06:00') - 1)).toBeUndefined()
    expect(holdsInstrument(rows, here, on16('06:00'))).toEqual({ from: on16('06:00'), until: null })
  })

  test('until its own until, which no longer belongs to it', () => {
    const rows = [placed('LDS-F2', 'INS-0031', on16('06:00'), { until: on16('14:00') })]
    expect(holdsInstrument(rows, here, on16('14:00') - 1)).toBeDefined()
    expect(holdsInstrument(rows, here, on16('14:00'))).toBeUndefined()
  })

  test('until another one comes to the station', () => {
    const rows = [placed('LDS-F2', 'INS-0031', on16('06:00')), placed('LDS-F2', 'INS-0040', on16('10:00'))]
    expect(holdsInstrument(rows, here, on16('10:00') - 1)).toEqual({ from: on16('06:00'), until: on16('10:00') })
    expect(holdsInstrument(rows, here, on16('10:00'))).toBeUndefined()
    expect(instrumentAt(rows, 'LDS-F2', on16('10:00'))).toMatchObject({ instrument: 'INS-0040' })
  })

  test('until it goes elsewhere, and the station then has none', () => {
    const rows = [placed('LDS-F2', 'INS-0031', on16('06:00')), placed('OSA-A1', 'INS-0031', on16('10:00'))]
    expect(holdsInstrument(rows, here, on16('10:00'))).toBeUndefined()
    expect(instrumentAt(rows, 'LDS-F2', on16('10:00'))).toBeUndefined()
    expect(instrumentAt(rows, 'OSA-A1', on16('10:00'))).toMatchObject({ instrument: 'INS-0031' })
  })

  test('recording the same place again does not interrupt the stay', () => {
    const rows = [
      placed('LDS-F2', 'INS-0031', on16('06:00')),
      placed('LDS-F2', 'INS-0031', on16('08:00'), { until: on16('12:00') }),
      placed('LDS-F2', 'INS-0031', on16('12:00')),
    ]
    for (const time of ['06:00', '08:00', '11:59', '12:00', '18:00']) {
      expect(holdsInstrument(rows, here, on16(time))).toEqual({ from: on16('06:00'), until: null })
    }
  })

  test('a gap interrupts it', () => {
    const rows = [
      placed('LDS-F2', 'INS-0031', on16('06:00'), { until: on16('08:00') }),
      placed('LDS-F2', 'INS-0031', on16('08:00:00.001')),
    ]
    expect(holdsInstrument(rows, here, on16('08:00'))).toBeUndefined()
    expect(holdsInstrument(rows, here, on16('09:00'))).toEqual({ from: on16('08:00:00.001'), until: null })
  })

  test('of two rows from one instant the one recorded later is the correction', () => {
    const wrong = placed('LDS-F2', 'INS-0031', on16('06:00'), { recordedAt: on16('06:00') })
    const right = placed('LDS-F2', 'INS-0040', on16('06:00'), { recordedAt: on16('07:00') })
    expect(instrumentAt([wrong, right], 'LDS-F2', on16('06:30'))).toMatchObject({ instrument: 'INS-0040' })
    expect(instrumentAt([wrong, right], 'LDS-F2', on16('06:30'), on16('06:59'))).toMatchObject({
      instrument: 'INS-0031',
    })
  })
})

test('whatever was recorded, a station has one instrument and an instrument one station at a time', () => {
  const row = fc
    .record({
      station: fc.constantFrom('S1', 'S2', 'S3'),
      instrument: fc.constantFrom('I1', 'I2', 'I3'),
      from: fc.integer({ min: 0, max: 20 }),
      length: fc.option(fc.integer({ min: 1, max: 10 })),
      recordedAt: fc.integer({ min: 0, max: 20 }),
    })
    .map(({ length, ...rest }) => ({ ...rest, until: length === null ? null : rest.from + length }))
  const rows = fc.uniqueArray(row, {
    selector: ({ station, instrument, from }) => `${station} ${instrument} ${from}`,
    maxLength: 12,
  })
  fc.assert(
    fc.property(rows, fc.integer({ min: 0, max: 30 }), fc.option(fc.integer({ min: 0, max: 20 })), (all, at, view) => {
      const knownBy = view ?? undefined
      const standing: string[] = []
      for (const station of ['S1', 'S2', 'S3']) {
        const instruments = ['I1', 'I2', 'I3'].filter((instrument) =>
          holdsInstrument(all, { station, instrument }, at, knownBy),
        )
        expect(instruments.length).toBeLessThan(2)
        expect(instrumentAt(all, station, at, knownBy)?.instrument).toBe(instruments[0])
        standing.push(...instruments)
      }
      expect(new Set(standing).size).toBe(standing.length)
    }),
    { numRuns: 500 },
  )
})
