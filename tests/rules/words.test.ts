import { describe, expect, test } from 'vitest'
import { EditionContentWire, PublicationRequestWire } from '../../src/rules/words.ts'
import { extractorStrength } from './aldermoor-tables.ts'

/** Where the schema refuses, as pointers. */
function refusedAt(value: unknown): string[] {
  const parsed = EditionContentWire.safeParse(value)
  return parsed.success ? [] : parsed.error.issues.map(({ path }) => `/${path.join('/')}`)
}

describe('content of an edition', () => {
  test.each<[string, object, string]>([
    ['an unknown member', { colour: 'red' }, '/'],
    ['an unknown hit policy', { hitPolicy: 'D' }, '/hitPolicy'],
    ['an unknown subject', { subject: 'bonding' }, '/subject'],
    ['a key with a blank', { table: 'extractor strength' }, '/table'],
    ['an edition that is no number', { edition: '3' }, '/edition'],
    ['an edition before the first', { edition: 0 }, '/edition'],
    ['no rows', { rows: [] }, '/rows'],
    ['a cell that is no text', { rows: [{ row: 'a', when: [5], then: [] }] }, '/rows/0/when/0'],
    ['a cell with a control character', { rows: [{ row: 'a', when: ['"a\u0000"'], then: [] }] }, '/rows/0/when/0'],
    ['an unknown member of a row', { rows: [{ row: 'a', when: [], then: [], note: '' }] }, '/rows/0'],
    [
      'an unknown parameter',
      { outputs: [{ parameter: 'voltage', relation: '>=', unit: 'V' }] },
      '/outputs/0/parameter',
    ],
    ['an unknown relation', { outputs: [{ parameter: 'dwell', relation: '>', unit: 's' }] }, '/outputs/0/relation'],
    ['an unknown use', { sources: [{ ...extractorStrength.sources[0], use: 'any' }] }, '/sources/0/use'],
  ])('%s', (_, parts, pointer) => {
    expect(refusedAt({ ...extractorStrength, ...parts })).toContain(pointer)
  })

  test('what is optional may be absent or null', () => {
    const { appliesWhen, overrides, ...required } = extractorStrength
    expect([appliesWhen, overrides].every((member) => member !== undefined)).toBe(true)
    expect(refusedAt(required)).toEqual([])
    expect(refusedAt({ ...required, appliesWhen: null, overrides: null })).toEqual([])
  })

  test('an attribute that cannot be kept as a key is refused, not dropped', () => {
    const appliesWhen: unknown = JSON.parse('{"__proto__": "\\"x\\""}')
    expect(refusedAt({ ...extractorStrength, appliesWhen })).not.toEqual([])
  })
})

test('a publication is at once or at an instant with offset', () => {
  const digest = `sha256:${'0'.repeat(64)}`
  const accepts = (effectiveFrom: string) =>
    PublicationRequestWire.safeParse({ digest, effectiveFrom, meaning: 'published' }).success
  expect(accepts('at-once')).toBe(true)
  expect(accepts('2026-03-16T09:00:00+01:00')).toBe(true)
  expect(accepts('now')).toBe(false)
  expect(accepts('2026-03-16T09:00:00')).toBe(false)
})
