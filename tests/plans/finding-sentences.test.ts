import { describe, expect, test } from 'vitest'
import { findingSentence } from '../../src/plans/finding-sentences.ts'
import { findingCodes, found } from '../../src/plans/findings.ts'

describe('a finding in words', () => {
  test.each(findingCodes)('%s says something, also where facts are missing', (code) => {
    const bare = findingSentence(found({ severity: 'warning', code }))
    expect(bare).toMatch(/^[A-Z].{20,}[.?]$/s)
    expect(bare).not.toMatch(/undefined|null|\[object/)
  })

  test('names place, rule, what is asked and what is accepted', () => {
    const finding = found({
      severity: 'blocking',
      code: 'requirement-not-met',
      table: 'extractor-strength',
      edition: 3,
      row: 'b3',
      step: 'strength',
      parameter: 'testVoltage',
      relation: '>=',
      demanded: { value: '1000', unit: 'V' },
      accepted: { least: '900', most: '1030', unit: 'V' },
    })
    expect(findingSentence(finding)).toBe(
      'Step strength: Rule table extractor-strength, edition 3, row b3, asks for testVoltage at least 1000 V; the plan accepts at least 900 V and at most 1030 V.',
    )
    expect(findingSentence({ ...finding, facts: { binding: 'none' } })).toContain('The rule binds nobody')
  })

  test('a current of the unit itself is told with what it comes from', () => {
    const finding = found({
      severity: 'blocking',
      code: 'expected-current-above-limit',
      step: 'strength',
      measurement: 'live-to-earth',
      variant: 'EX36-3M',
      parameter: 'limitUpper',
      demanded: { value: '2.986', unit: 'mA' },
      accepted: { value: '2.0', unit: 'mA' },
      facts: { capacitance: '4.4 nF', tolerance: '20 %', voltage: '1500 V', frequency: '60 Hz' },
    })
    expect(findingSentence(finding)).toBe(
      'Step strength, measurement live-to-earth, variant EX36-3M: A sound unit draws up to 2.986 mA through its own capacitance (4.4 nF, 20 %, at 1500 V and 60 Hz); limitUpper is 2.0 mA. Good units would fail.',
    )
  })
})
