import { describe, expect, test } from 'vitest'
import { answerFinding, FindingWire } from '../../src/plans/finding-answer.ts'
import { blockDemand, demandedFrom, type Finding, found, joinPieces } from '../../src/plans/findings.ts'

const gap = found({ severity: 'blocking', code: 'rule-gap', table: 'extractor-strength', edition: 3 })
const warning = found({ severity: 'warning', code: 'expected-current-unknown', step: 'strength' })

describe('findings of adjoining intervals', () => {
  test('are one where they say the same, and begin anew after a pause', () => {
    const joined = joinPieces([
      { from: 0, until: 10, found: [warning, gap] },
      { from: 10, until: 20, found: [gap] },
      { from: 20, until: 30, found: [warning] },
      { from: 30, until: null, found: [gap, warning] },
    ])
    expect(joined.map(({ code, from, until }) => [code, from, until])).toEqual([
      ['rule-gap', 0, 20],
      ['expected-current-unknown', 0, 10],
      ['expected-current-unknown', 20, null],
      ['rule-gap', 30, null],
    ])
  })

  test('are the same in any order, and said once', () => {
    const one = joinPieces([{ from: 0, until: null, found: [warning, gap, gap] }])
    expect(one).toEqual(joinPieces([{ from: 0, until: null, found: [gap, warning] }]))
    expect(one).toHaveLength(2)
  })
})

describe('the first blocking instant', () => {
  const finding = (given: Partial<Finding>): Finding => ({ ...gap, from: 0, until: null, ...given })

  test('is where a blocking finding holds, not before the instant asked', () => {
    expect(demandedFrom([finding({ from: 50 }), finding({ from: 70 })], 10)).toBe(50)
    expect(demandedFrom([finding({ from: 5 })], 10)).toBe(10)
    expect(demandedFrom([finding({ from: 5, until: 10 })], 10)).toBeUndefined()
    expect(demandedFrom([finding({ from: 5, until: 11 })], 10)).toBe(10)
    expect(demandedFrom([finding({ severity: 'warning' })], 10)).toBeUndefined()
  })

  test('names what is found there, and not what comes later', () => {
    const findings = [
      finding({ from: 50, row: 'b4' }),
      finding({ from: 50, until: 60, table: null, step: 'bond', code: 'bonding-not-before' }),
      finding({ from: 51, code: 'rule-ambiguous' }),
    ]
    expect(blockDemand(findings, 10)).toEqual({
      from: 50,
      causes: ['bonding-not-before bond', 'rule-gap extractor-strength/3 b4'],
    })
    expect(blockDemand([], 10)).toBeUndefined()
  })
})

test('a finding is answered with its instants as text', () => {
  const [finding] = joinPieces([
    { from: 0, until: 1, found: [{ ...gap, demanded: ['protective-bonding'], accepted: false }] },
  ])
  if (!finding) throw new Error('nothing was joined')
  const written = answerFinding(finding)
  expect(written).toMatchObject({
    from: '1970-01-01T00:00:00.000Z',
    until: '1970-01-01T00:00:00.001Z',
    measurement: null,
  })
  expect(FindingWire.parse(written)).toEqual(written)
})
