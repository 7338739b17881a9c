import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { idInstant, idsFrom } from '../../src/platform/ids.ts'

describe('ids', () => {
  test('an id is a UUIDv7: the published example carries its published instant', () => {
    // RFC 9562 appendix A.6 (from memory, verify).
    expect(idInstant('017f22e2-79b0-7cc3-98c4-dc0c0c07398f')).toBe(1_645_557_742_000)
  })

  test('random bits are those of the source, but for the first of the count, which is kept free', () => {
    const ids = idsFrom(() => '00000000-0000-4cc3-98c4-dc0c0c07398f')
    expect(ids.mint(1_645_557_742_000)).toBe('017f22e2-79b0-74c3-98c4-dc0c0c07398f')
  })

  test('ids minted one after the other for one millisecond ascend', () => {
    const ids = idsFrom()
    const minted = Array.from({ length: 2_000 }, () => ids.mint(5))
    expect(minted).toEqual([...minted].sort())
  })

  test('the instant comes back out of the id, and ids sort as their instants do', () => {
    const ids = idsFrom()
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 2 ** 48 - 2 }), (at) => {
        const [first, next] = [ids.mint(at), ids.mint(at + 1)]
        expect(idInstant(first)).toBe(at)
        expect(first < next).toBe(true)
      }),
    )
  })

  test('ids of one millisecond differ', () => {
    const ids = idsFrom()
    expect(new Set(Array.from({ length: 1_000 }, () => ids.mint(5))).size).toBe(1_000)
  })

  test.each([-1, 0.5, 2 ** 48, Number.NaN, Number.POSITIVE_INFINITY])('no id carries the instant %s', (at) => {
    expect(() => idsFrom().mint(at)).toThrow(RangeError)
  })

  test.each([
    '',
    '017f22e2-79b0-4cc3-98c4-dc0c0c07398f', // version 4
    '017F22E2-79B0-7CC3-98C4-DC0C0C07398F', // upper case: another spelling of the same id is not our id
    '017f22e2-79b0-7cc3-18c4-dc0c0c07398f', // another variant
    '017f22e279b07cc398c4dc0c0c07398f',
    '017f22e2-79b0-7cc3-98c4-dc0c0c07398f\n',
  ])('%j is not an id', (text) => {
    expect(idInstant(text)).toBeUndefined()
  })
})
