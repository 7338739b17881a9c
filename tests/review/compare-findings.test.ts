import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Finding, found } from '../../src/plans/findings.ts'
import { compareFindings } from '../../src/review/compare-findings.ts'

const finding = (given: Partial<Finding> = {}): Finding => ({
  ...found({ severity: 'blocking', code: 'requirement-not-met', ...given }),
  from: 0,
  until: null,
  ...given,
})

describe('findings side by side', () => {
  test('new, other, gone and same, in that order; blocking first', () => {
    const before = [
      finding({ step: 'bond', margin: { value: '-2', unit: 'A' } }),
      finding({ step: 'strength', severity: 'warning' }),
      finding({ step: 'insulation' }),
    ]
    const after = [
      finding({ step: 'strength', severity: 'warning' }),
      finding({ step: 'bond', margin: { value: '-1', unit: 'A' } }),
      finding({ step: 'touch', severity: 'warning' }),
      finding({ step: 'inspection' }),
    ]
    expect(
      compareFindings(before, after).map(({ change, before, after }) => [change, (after ?? before)?.step]),
    ).toEqual([
      ['new', 'inspection'],
      ['new', 'touch'],
      ['other', 'bond'],
      ['gone', 'insulation'],
      ['same', 'strength'],
    ])
  })

  test('which row came nearest does not make it another finding', () => {
    const [only, ...others] = compareFindings([finding({ row: 'b3' })], [finding({ row: 'b4' })])
    expect([only?.change, others]).toEqual(['other', []])
  })
})

const any = fc.array(
  fc
    .record({ step: fc.constantFrom('a', 'b', null), row: fc.constantFrom('r1', 'r2', null), from: fc.nat(2) })
    .map(finding),
  { maxLength: 8 },
)

test('each finding of either is told once, and against itself everything is the same', () => {
  fc.assert(
    fc.property(any, any, (before, after) => {
      const compared = compareFindings(before, after)
      const told = (side: 'before' | 'after') =>
        compared.flatMap((one) => one[side] ?? []).map((one) => JSON.stringify(one))
      expect(told('before').sort()).toEqual(before.map((one) => JSON.stringify(one)).sort())
      expect(told('after').sort()).toEqual(after.map((one) => JSON.stringify(one)).sort())
      expect(compareFindings(after, after).every(({ change }) => change === 'same')).toBe(true)
      for (const { change, before: one, after: other } of compared) {
        expect(change === 'new').toBe(one === null)
        expect(change === 'gone').toBe(other === null)
      }
    }),
  )
})
