import { describe, expect, test } from 'vitest'
import { actionOf, sentenceOf } from '../../src/judging/sentences.ts'
import { missingFactCodes, reasonCodes, uploadCodes } from '../../src/judging/words.ts'

const codes = uploadCodes

describe('every code has words', () => {
  test.each([...codes, ...reasonCodes])('%s, also where a stored row lacks its facts', (code) => {
    const sentence = sentenceOf(code, {})
    expect(sentence).toMatch(/^[A-Zu].*\.$/)
    expect(sentence).not.toContain('undefined')
  })
  test.each(codes)('%s says what to do', (code) => expect(actionOf(code)).toMatch(/^[A-Z].*\.$/))
  test('no word is both a code of an upload and a reason of a measurement', () => {
    const both = codes.filter((code) => (reasonCodes as readonly string[]).includes(code))
    expect(both).toEqual([])
  })
})

test('a hold for want of a fact is said to settle itself, and no other is', () => {
  for (const code of codes) {
    expect([code, /settles (this )?by itself/.test(actionOf(code))]).toEqual([code, missingFactCodes.has(code)])
  }
})

test('the sentences a technician meets most', () => {
  expect(sentenceOf('above-limit', { reading: '5.2 mA', limit: '5 mA', inclusive: 'true' })).toBe(
    '5.2 mA is above the limit of 5 mA.',
  )
  expect(sentenceOf('below-limit', { reading: '2 MOhm', limit: '2 MOhm', inclusive: 'false' })).toBe(
    '2 MOhm is below the limit of 2 MOhm (a number on the limit does not pass).',
  )
  expect(sentenceOf('stress-below-plan', { stress: 'testVoltage', measured: '1003 V', least: '1200 V' })).toBe(
    'The test voltage was 1003 V; the plan accepts no less than 1200 V.',
  )
  expect(sentenceOf('arc', { shown: '0.4 mA', reached: '1180 V' })).toBe(
    'An arc was detected at 1180 V; the current shown was 0.4 mA.',
  )
  expect(sentenceOf('clock-skew', { skewMs: '131070', toleranceMs: '120000' })).toBe(
    "The station's clock is 131.07 s behind the server's; 120 s are tolerated.",
  )
  expect(sentenceOf('clock-skew', { skewMs: '-3600000', toleranceMs: '120000' })).toBe(
    "The station's clock is 3600 s ahead of the server's; 120 s are tolerated.",
  )
  expect(sentenceOf('run-too-long', { ranMs: '600001', most: '600 s' })).toBe(
    'The run took 600.001 s; the plan allows 600 s.',
  )
  expect(
    sentenceOf('programming-not-current', {
      programming: 'PG-1',
      because: 'reprogrammed',
      endedAt: '2026-03-16T05:40:00.000Z',
    }),
  ).toBe(
    'No current programming carries this test (cited: PG-1). One of its programs was keyed anew at 2026-03-16T05:40:00.000Z.',
  )
  expect(
    sentenceOf('revision-stale', { plan: 'ex36-final', revision: '6', start: 'noon', inForceUntil: 'eleven' }),
  ).toBe('Revision 6 of plan ex36-final was no longer in force when the test started at noon; it ended at eleven.')
})
