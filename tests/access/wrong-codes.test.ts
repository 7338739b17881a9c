import { expect, test } from 'vitest'
import { wrongCodes } from '../../src/access/wrong-codes.ts'

const at = 1_000_000_000_000

test('five wrong codes within five minutes close the door until the window has passed', () => {
  const wrong = wrongCodes()
  for (let count = 0; count < 5; count += 1) {
    expect(wrong.waitMs('P-1', at + count)).toBe(0)
    wrong.recordWrong('P-1', at + count)
  }
  expect(wrong.waitMs('P-1', at + 10)).toBe(299_990)
  expect(wrong.waitMs('P-2', at + 10)).toBe(0)
  expect(wrong.waitMs('P-1', at + 299_999)).toBe(1)
  expect(wrong.waitMs('P-1', at + 300_000)).toBe(0)
  wrong.recordWrong('P-1', at + 300_000) // The first of a new window.
  expect(wrong.waitMs('P-1', at + 300_001)).toBe(0)
})

test('a right code forgets the wrong ones, and a clock set back locks nobody out', () => {
  const wrong = wrongCodes()
  for (let count = 0; count < 5; count += 1) {
    wrong.recordWrong('P-1', at)
  }
  expect(wrong.waitMs('P-1', at - 1)).toBe(0)
  expect(wrong.waitMs('P-1', at + 1)).toBeGreaterThan(0)
  wrong.clear('P-1')
  expect(wrong.waitMs('P-1', at + 1)).toBe(0)
})
