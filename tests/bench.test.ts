import { describe, expect, test } from 'vitest'
import { interleavedPairs, median, medianRatio, quantile, shown } from '../src/commands/bench/figures.ts'
import { FIRST_NUMBER, Payload, readContractUpload } from '../src/commands/bench/payload.ts'
import { readUpload } from '../src/intake/read-upload.ts'
import { instant } from './support/clock.ts'

describe('figures', () => {
  test('the median, of odd and even numbers of values', () => {
    expect(median([3, 1, 2])).toBe(2)
    expect(median([4, 1, 3, 2])).toBe(2.5)
    expect(() => median([])).toThrow(RangeError)
  })

  test('a quantile by nearest rank', () => {
    const values = Array.from({ length: 100 }, (_, index) => 100 - index)
    expect(quantile(values, 0.99)).toBe(99)
    expect(quantile(values, 0.5)).toBe(50)
    expect(quantile([7], 0.99)).toBe(7)
  })

  test('pairs change who is first, and the ratio is the median of the ratios of pairs', async () => {
    const order: string[] = []
    const measure = (name: string, value: number) => async () => {
      order.push(name)
      return value * order.length
    }
    const pairs = await interleavedPairs(measure('bare', 1), measure('ours', 1), () => undefined)
    expect(order.join(' ')).toBe('bare ours ours bare bare ours ours bare bare ours')
    expect(medianRatio(pairs)).toBe(10 / 9)
    expect(shown(1234.567)).toBe(1235)
  })
})

describe('the payload', () => {
  test('is the upload of the contract, of another unit each time, moved as a whole to now, of one length', async () => {
    const payload = new Payload(await readContractUpload())
    const now = instant('2026-11-25T03:00:00.000Z')
    const texts = [FIRST_NUMBER, FIRST_NUMBER + 41].map((number) => payload.text(number, now))
    const reads = texts.map((text) => readUpload(Buffer.from(text, 'utf8')))
    const uploads = reads.map((read) => (read.kind === 'read' ? read.upload : expect.fail(JSON.stringify(read))))
    expect(uploads.map(({ uploadKey, serial }) => [uploadKey, serial])).toEqual([
      ['LDS-F2:1000000', 'EX36-26-000000'],
      ['LDS-F2:1000041', 'EX36-26-000041'],
    ])
    expect(new Set(texts.map((text) => Buffer.byteLength(text))).size).toBe(1)
    expect(uploads[0]?.sentAt).toBe(now)
    expect(uploads[0]?.startedAt).toBe(now - 34_680)
  })
})
