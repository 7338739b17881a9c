import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type ProfileRecord, profileInEffect } from '../../src/csv/record.ts'
import { ProfileContentWire } from '../../src/csv/words.ts'

const content = {
  station: 'LDS-F2',
  profile: 1,
  encoding: 'utf-8',
  separator: ';',
  decimalMark: ',',
  template: { station: 'LDS-F2' },
  columns: [{ header: 'serial', at: '/serial', as: 'text' }],
}

describe('the content of a profile', () => {
  test('is of the station that it names', () => {
    expect(ProfileContentWire.safeParse(content).success).toBe(true)
  })

  test.each([
    [{ template: { station: 'LDS-F3' } }, 'template.station'],
    [{ template: {} }, 'template.station'],
    [{ columns: [{ header: 'where', at: '/station', as: 'text' }] }, 'columns.0.at'],
    [{ columns: [{ header: 'a', at: '/steps/0/step', as: 'text' }] }, 'columns.0.at'],
    [{ separator: ',' }, 'decimalMark'],
    [{ encoding: 'utf-7' }, 'encoding'],
    [{ decimalMark: undefined }, 'decimalMark'],
    [{ unheard: 1 }, ''],
  ])('is refused with %j', (changed, path) => {
    const read = ProfileContentWire.safeParse({ ...content, ...changed })
    expect(read.error?.issues.map((issue) => issue.path.join('.'))).toContain(path)
  })
})

const record = (profile: number, effectiveFrom: number | null, withdrawnAt: number | null = null): ProfileRecord => ({
  station: 'LDS-F2',
  profile,
  state: 'confirmed',
  content: ProfileContentWire.parse(content),
  digest: '',
  changeReason: null,
  createdAt: 0,
  createdBy: 'P-1',
  confirmedAt: null,
  confirmedBy: null,
  confirmedMeaning: null,
  effectiveFrom,
  withdrawnAt,
  withdrawnBy: null,
  withdrawnReason: null,
})
const numberAt = (profiles: ProfileRecord[], at: number) => profileInEffect(profiles, at)?.profile

describe('the profile in effect', () => {
  test.each([
    ['none', [], undefined],
    ['one that nobody confirmed', [record(1, null)], undefined],
    ['one that takes effect now', [record(1, 100)], 1],
    ['one that takes effect later', [record(1, 50), record(2, 101)], 1],
    ['a later one of a lower number', [record(1, 60), record(2, 50)], 1],
    ['two at one instant', [record(2, 50), record(1, 50)], 2],
    ['a withdrawn one, and no earlier one comes back', [record(1, 50), record(2, 60, 70)], undefined],
    ['an earlier one that was withdrawn', [record(1, 50, 70), record(2, 60)], 2],
    ['one withdrawn before it took effect', [record(1, 50), record(2, 90, 70)], 1],
    ['one withdrawn as it took effect', [record(1, 50), record(2, 70, 70)], undefined],
  ])('is found among %s', (_, profiles, expected) => {
    expect(numberAt(profiles, 100)).toBe(expected)
  })

  test('hangs on no order of the rows', () => {
    const dated = fc.tuple(fc.integer({ min: 0, max: 5 }), fc.option(fc.integer({ min: 0, max: 5 }), { nil: null }))
    fc.assert(
      fc.property(fc.array(dated, { maxLength: 6 }), fc.integer({ min: 0, max: 6 }), (given, at) => {
        const profiles = given.map(([from, withdrawn], index) => record(index + 1, from, withdrawn))
        expect(numberAt([...profiles].reverse(), at)).toBe(numberAt(profiles, at))
      }),
    )
  })
})
