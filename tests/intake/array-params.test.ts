import { describe, expect, test } from 'vitest'
import { bytesArray, instantArray, longTextArray, shortArray } from '../../src/intake/array-params.ts'

describe('an array in text form', () => {
  test('quotes every text, escapes what ends a quotation, and leaves null bare', () => {
    expect(shortArray(['a', null, undefined, 'NULL', '', 'x,y{}', '"\\', 'Ω', 7, true])).toBe(
      '{"a",NULL,NULL,"NULL","","x,y{}","\\"\\\\","Ω",7,true}',
    )
    expect(shortArray([])).toBe('{}')
  })
})

describe('an array in binary form', () => {
  const head = (hasNull: number, type: number, count: number) =>
    [1, hasNull, type, count, 1].map((word) => word.toString(16).padStart(8, '0')).join('')

  test('is headed by dimensions, nulls, element type, length and lower bound', () => {
    expect(bytesArray([Buffer.from([1, 2]), Buffer.alloc(0)]).toString('hex')).toBe(
      `${head(0, 17, 2)}000000020102${'00000000'}`,
    )
    expect(longTextArray(['Ω', null]).toString('hex')).toBe(`${head(1, 25, 2)}00000002cea9ffffffff`)
  })

  test('counts instants in microseconds from the year 2000, before it too', () => {
    const wordsOf = (at: number) => instantArray([at]).readBigInt64BE(24)
    expect(wordsOf(Date.UTC(2000, 0, 1))).toBe(0n)
    expect(wordsOf(Date.UTC(2000, 0, 1) - 1)).toBe(-1_000n)
    expect(wordsOf(Date.UTC(2026, 2, 16, 9, 14, 39, 930))).toBe(
      BigInt(Date.UTC(2026, 2, 16, 9, 14, 39, 930) - 946_684_800_000) * 1_000n,
    )
    expect(wordsOf(Date.UTC(9999, 11, 31))).toBe(BigInt(Date.UTC(9999, 11, 31) - 946_684_800_000) * 1_000n)
    expect(() => instantArray([Number.POSITIVE_INFINITY])).toThrow(RangeError)
  })
})
