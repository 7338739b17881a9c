import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { readUpload, type UploadRead } from '../../src/intake/read-upload.ts'
import { sentenceOf } from '../../src/judging/sentences.ts'
import { contractUpload } from '../support/aldermoor.ts'
import { bytesOf, example, placesOf } from './example.ts'

describe('a fuzzed example', () => {
  const pieces = fc.constantFrom(
    '"',
    '\\',
    '{',
    '}',
    '[',
    ']',
    ',',
    ':',
    '\\u0000',
    '\\ud800',
    '\u0000',
    '-',
    '1e9',
    'null',
    'true',
    '0',
    '.',
    '\n',
    '"value"',
    '"__proto__":',
    '"constructor":',
    '\u{1f50c}',
    '\ud83d',
    "'; DROP TABLE intake.runs; --",
    ' ',
    '9'.repeat(40),
  )
  const change = fc.record({
    at: fc.nat(contractUpload.length - 1),
    drop: fc.integer({ min: 0, max: 12 }),
    put: fc.oneof(pieces, fc.string({ maxLength: 6 }), fc.constant('')),
  })

  test('never throws, and says of every refusal where it is', () => {
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 3 }), (changes) => {
        let text = contractUpload
        for (const { at, drop, put } of changes) text = text.slice(0, at) + put + text.slice(at + drop)
        expectTotal(readUpload(bytesOf(text)))
      }),
      { numRuns: 800 },
    )
  })

  test('of other values at any place neither', () => {
    const value = fc.jsonValue({ maxDepth: 2 })
    fc.assert(
      fc.property(fc.nat(), value, (at, put) => {
        const wire = example()
        const places = placesOf(wire)
        const place = places[at % places.length]
        if (place === undefined) throw new Error('the example has places')
        place.parent[place.member] = put
        expectTotal(readUpload(bytesOf(wire)))
      }),
      { numRuns: 800 },
    )
  })
})

function expectTotal(result: UploadRead): void {
  if (result.kind === 'unreadable') {
    expect(result.offset).toBeGreaterThanOrEqual(0)
    return
  }
  expect(result.digest).toMatch(/^sha256:/)
  if (result.kind === 'read') return
  expect(result.codes.length).toBeGreaterThan(0)
  for (const { code, pointer, facts } of result.codes) {
    expect(pointer).toMatch(/^(\/|$)/)
    expect(sentenceOf(code, facts)).not.toMatch(/undefined|\[object/)
    expect(JSON.stringify([pointer, facts])).not.toMatch(/\\u0000|\\ud[89a-f]/i)
  }
}
