import canonicalize from 'canonicalize'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { NumberText, readJson } from '../../src/exact/json.ts'
import published from './vectors/jcs-rfc8785.json' with { type: 'json' }

const encoder = new TextEncoder()

function canonicalOf(text: string): string {
  const read = readJson(encoder.encode(text))
  if (!read.ok) throw new Error(read.message)
  return read.canonical
}

/** JSON without nulls, names and strings of any characters; the reference leaves no members out. */
function jsonOf(leaf: fc.Arbitrary<unknown>): fc.Arbitrary<unknown> {
  const name = fc.oneof(
    fc.string({ unit: 'binary', maxLength: 6 }),
    fc.constantFrom('a', 'b', 'aa', 'toString', '__proto__', '10', '2', '\u20ac', '\ufb33', '\u{1f600}'),
  )
  return fc.letrec((tie) => ({
    json: fc.oneof(
      { depthSize: 'medium', withCrossShrink: true },
      leaf,
      fc.array(tie('json'), { maxLength: 6 }),
      fc.array(fc.tuple(name, tie('json')), { maxLength: 30 }).map((members) => Object.fromEntries(members)),
    ),
  })).json
}

const plainLeaf = fc.oneof(fc.string({ unit: 'binary' }), fc.maxSafeInteger(), fc.boolean())
const anyLeaf = fc.oneof(plainLeaf, fc.double({ noNaN: true, noDefaultInfinity: true }))

describe('published vectors of RFC 8785', () => {
  // tests/exact/vectors/jcs-rfc8785.json names its source: the RFC's reference test data.
  test.each(published.data.cases)('$name', ({ name, input }) => {
    const hex = published.expected.outputHex[name as keyof typeof published.expected.outputHex]
    // We leave null members out, the RFC keeps them; one vector has one, and it is the only difference.
    const expected = Buffer.from(hex, 'hex').toString('utf8').replace('"10":null,', '')
    expect(canonicalOf(input)).toBe(expected)
  })

  test.each(published.expected.numbers)('the double %s is written %s', (hex = '', expected = '') => {
    const double = Buffer.from(hex, 'hex').readDoubleBE()
    expect(canonicalOf(double.toExponential(20))).toBe(expected)
    expect(canonicalOf(expected)).toBe(expected)
  })
})

describe('against the reference implementation', () => {
  test('bytes read by readJson', () => {
    fc.assert(
      fc.property(jsonOf(anyLeaf), (value) => {
        expect(canonicalOf(JSON.stringify(value))).toBe(canonicalize(JSON.parse(JSON.stringify(value))))
      }),
      { numRuns: 500 },
    )
  })

  test('plain values', () => {
    fc.assert(
      fc.property(jsonOf(plainLeaf), (value) => {
        expect(canonicalText(value)).toBe(canonicalize(value))
      }),
      { numRuns: 500 },
    )
  })

  test('whitespace and order change nothing, and canonical text is its own canonical text', () => {
    const shuffled = (value: unknown): unknown => {
      if (Array.isArray(value)) return value.map(shuffled)
      if (typeof value !== 'object' || value === null) return value
      return Object.fromEntries(
        Object.entries(value)
          .reverse()
          .map(([name, member]) => [name, shuffled(member)]),
      )
    }
    fc.assert(
      fc.property(jsonOf(plainLeaf), (value) => {
        const canonical = canonicalText(value)
        expect(canonicalOf(JSON.stringify(shuffled(value), null, 3))).toBe(canonical)
        expect(canonicalOf(canonical)).toBe(canonical)
      }),
      { numRuns: 300 },
    )
  })
})

describe('plain values', () => {
  test('members that are null or undefined are left out at any depth, array items stay', () => {
    expect(canonicalText({ b: null, a: [null, { c: undefined, d: null }], e: undefined })).toBe('{"a":[null,{}]}')
    expect(canonicalOf('{"b":null,"a":[null,{"d":null}]}')).toBe('{"a":[null,{}]}')
  })

  test('a NumberText is written as its reader wrote it', () => {
    expect(canonicalText({ n: new NumberText('1.50') })).toBe(canonicalOf('{"n":1.50}'))
  })

  test.each([
    [0.1],
    [Number.NaN],
    [2 ** 53],
    [1n],
    [undefined],
    [[undefined]],
    [Symbol.iterator],
    [new Map()],
    [new Date(0)],
    [() => 1],
  ])('%s has none', (value) => {
    expect(() => canonicalText(value)).toThrow(TypeError)
  })

  test('the digest is SHA-256 over UTF-8', () => {
    // NIST FIPS 180-4 examples: 'abc' and the empty message.
    expect(digestOf('abc')).toBe('sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad')
    expect(digestOf('')).toBe('sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855')
    expect(digestOf('\u03a9')).not.toBe(digestOf('\u2126'))
  })
})
