import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { digestOf } from '../../src/exact/canonical.ts'
import { type JsonReadOptions, type JsonValue, NumberText, readJson } from '../../src/exact/json.ts'
import { contractUpload, planWire, productWire } from '../support/aldermoor.ts'

const encoder = new TextEncoder()

function read(text: string, options?: JsonReadOptions) {
  return readJson(encoder.encode(text), options)
}

function accepted(text: string, options?: JsonReadOptions) {
  const outcome = read(text, options)
  if (!outcome.ok) throw new Error(`${outcome.code} at ${outcome.offset}: ${outcome.message}`)
  return outcome
}

/** What JSON.parse would have made of it, where its doubles are the same numbers. */
function plain(value: JsonValue): unknown {
  if (value instanceof NumberText) return Number(value.text)
  if (Array.isArray(value)) return value.map(plain)
  if (typeof value !== 'object' || value === null) return value
  return Object.fromEntries(Object.entries(value).map(([name, member]) => [name, plain(member)]))
}

describe('digests of the worked example', () => {
  const omit = new Set(['sentAt', 'startedAgoMs'])
  const uploadDigest = 'sha256:8546a54ba0213a107c1e0421ab1ca02272ef7e25ff05eaad4ef08ca39028c01c'
  // The three digests are published beside the same documents in the project's wire contract (sections 1, 2, 5).
  const cases: [name: string, text: string, digest: string][] = [
    [
      'product EX36, version 3',
      JSON.stringify(productWire, null, 1),
      'sha256:7dd40f48b2abdfc712001cf6c39bf1489583bb0e2ffce362d6df7a2e602d5e9d',
    ],
    [
      'plan ex36-final, revision 7',
      JSON.stringify(planWire, null, 1),
      'sha256:65660e8c91185bc1ed66f88071e84179a8916dad8a1f52b98abc5486bb722884',
    ],
    ['upload LDS-F2:0007315', contractUpload, uploadDigest],
  ]

  test.each(cases)('%s', (_name, text, digest) => {
    const outcome = accepted(text, { omit })
    expect(outcome.refusals).toEqual([])
    expect(digestOf(outcome.canonical)).toBe(digest)
  })

  test.each(cases)('%s with its quantities written as JSON numbers', (_name, text, digest) => {
    const numbered = text
      .replace(/"(value|set|least|most)": "([0-9.]+)"/g, '"$1": $2')
      .replace(/"(EX36-[35]M)": "([0-9.]+)"/g, '"$1": $2')
    expect(numbered).not.toBe(text)
    expect(digestOf(accepted(numbered, { omit }).canonical)).toBe(digest)
  })

  test('what is stamped anew at each sending lies outside, whatever it says; nothing else does', () => {
    const later = contractUpload.replace(
      '"sentAt": "2026-03-16T09:14:39.800+00:00"',
      '"startedAgoMs": 34680, "sentAt": null',
    )
    expect(digestOf(accepted(later, { omit }).canonical)).toBe(uploadDigest)
    expect(digestOf(accepted(contractUpload).canonical)).not.toBe(uploadDigest)
    const other = contractUpload.replace('"value": "118.4"', '"value": "118.40"')
    expect(digestOf(accepted(other, { omit }).canonical)).not.toBe(uploadDigest)
  })

  test('only members of the outermost object are omitted', () => {
    expect(accepted('{"a":1,"b":{"a":2}}', { omit: new Set(['a']) }).canonical).toBe('{"b":{"a":2}}')
    expect(accepted('[{"a":1}]', { omit: new Set(['a']) }).canonical).toBe('[{"a":1}]')
    expect(accepted('{"a":1,"b":2}', { omit: new Set(['a']) }).value).toEqual({ a: 1, b: 2 })
  })
})

describe('numbers', () => {
  test.each([
    ['0', 0],
    ['-7', -7],
    ['7315', 7315],
    ['9007199254740991', 9007199254740991],
    ['-9007199254740991', -9007199254740991],
  ])('%s is a safe integer', (text, expected) => {
    expect(accepted(text).value).toBe(expected)
  })

  test.each([
    '9007199254740992',
    '-9007199254740993',
    '1.0',
    '1.50',
    '1e2',
    '-0',
    '0.1000000000000000055',
    '1e400',
    '12345678901234567890',
  ])('%s keeps its digits', (text) => {
    expect(accepted(text).value).toStrictEqual(new NumberText(text))
  })

  test('members that are quantities become text of their own digits', () => {
    const text = '{"value":1.50,"set":10,"least":-0,"most":1e2,"other":10,"in":{"value":0.1000000000000000055}}'
    const { value, canonical } = accepted(text)
    expect(value).toEqual({
      value: '1.50',
      set: '10',
      least: '-0',
      most: '1e2',
      other: 10,
      in: { value: '0.1000000000000000055' },
    })
    expect(canonical).toBe(
      '{"in":{"value":"0.1000000000000000055"},"least":"-0","most":"1e2","other":10,"set":"10","value":"1.50"}',
    )
  })

  test('so do the members directly inside byVariant, and no others', () => {
    const text =
      '{"byVariant":{"A":158.50,"B":"197.5","C":{"D":1},"E":[2]},"X":{"A":1},"values":[1],"value":[3,{"value":4}]}'
    expect(accepted(text).value).toEqual({
      byVariant: { A: '158.50', B: '197.5', C: { D: 1 }, E: [2] },
      X: { A: 1 },
      values: [1],
      value: [3, { value: '4' }],
    })
    expect(accepted('{"byVariant":[1]}').value).toEqual({ byVariant: [1] })
  })

  test('other types under those names stay what they are', () => {
    expect(accepted('{"value":true,"set":null,"least":"x","most":{"a":1}}').value).toEqual({
      value: true,
      set: null,
      least: 'x',
      most: { a: 1 },
    })
  })

  test('thirty digits are read, more are refused with their place', () => {
    const digits = '1234567890'.repeat(3)
    expect(accepted(`{"a":[0.${digits}]}`).refusals).toEqual([])
    expect(accepted(`{"a":[1.${digits}]}`).refusals).toEqual([{ code: 'number-too-long', pointer: '/a/0' }])
    expect(accepted(`{"a":{"value":1${digits}}}`).refusals).toEqual([{ code: 'number-too-long', pointer: '/a/value' }])
    expect(accepted(`[1, 0.${'0'.repeat(100)}1]`).refusals).toEqual([{ code: 'number-too-long', pointer: '/1' }])
  })
})

describe('members', () => {
  test('of two of one name the first is kept, and each further one is listed', () => {
    const outcome = accepted('{"a":1,"b":{"c":1,"c":{"x":2},"c":3},"a":null}')
    expect(outcome.value).toEqual({ a: 1, b: { c: 1 } })
    expect(outcome.canonical).toBe('{"a":1,"b":{"c":1}}')
    expect(outcome.refusals).toEqual([
      { code: 'duplicate-member', pointer: '/b/c' },
      { code: 'duplicate-member', pointer: '/b/c' },
      { code: 'duplicate-member', pointer: '/a' },
    ])
  })

  test('a null or an escape does not hide a doubled name', () => {
    expect(accepted('{"a":null,"a":1}').refusals).toEqual([{ code: 'duplicate-member', pointer: '/a' }])
    expect(accepted('{"a":1,"\\u0061":2}').refusals).toEqual([{ code: 'duplicate-member', pointer: '/a' }])
  })

  test('names of the language are ordinary names', () => {
    const outcome = accepted('{"__proto__":{"isAdmin":true},"constructor":1,"toString":2,"hasOwnProperty":3}')
    expect(outcome.refusals).toEqual([])
    const value = outcome.value as { [member: string]: JsonValue }
    expect(Object.keys(value)).toEqual(['__proto__', 'constructor', 'toString', 'hasOwnProperty'])
    expect(Object.getPrototypeOf(value)).toBe(Object.prototype)
    expect('isAdmin' in value).toBe(false)
    expect(accepted('{"__proto__":1,"__proto__":2}').refusals).toEqual([
      { code: 'duplicate-member', pointer: '/__proto__' },
    ])
  })

  test('a name is escaped in its pointer', () => {
    expect(accepted('{"a/b":{"m~n":[{"x":1,"x":2}]}}').refusals).toEqual([
      { code: 'duplicate-member', pointer: '/a~1b/m~0n/0/x' },
    ])
  })

  test('many members and many refusals stay quick and bounded', () => {
    const names = Array.from({ length: 50_000 }, (_, index) => `"k${(index * 7919) % 50_000}":1`)
    const started = performance.now()
    const outcome = accepted(`{${names.join(',')},${names.join(',')}}`)
    expect(Object.keys(outcome.value as object)).toHaveLength(50_000)
    expect(outcome.refusals).toHaveLength(100)
    expect(performance.now() - started).toBeLessThan(5000)
    const long = accepted(`{"${'x'.repeat(5000)}":{"a":1,"a":2}}`).refusals
    expect(long[0]?.pointer.length).toBeLessThan(400)
  })
})

describe('text', () => {
  test('escapes', () => {
    const outcome = accepted('"\\u20ac$\\u000F\\n\\t\\r\\b\\f\\/\\\\\\"\\ud83d\\ude00\u03a9"')
    expect(outcome.value).toBe('\u20ac$\u000f\n\t\r\b\f/\\"\u{1f600}\u03a9')
    expect(outcome.canonical).toBe('"\u20ac$\\u000f\\n\\t\\r\\b\\f/\\\\\\"\u{1f600}\u03a9"')
    expect(outcome.refusals).toEqual([])
  })

  test.each([
    ['{"a":["\\ud800"]}', '/a/0'],
    ['{"a":["x\\udc00\\ud800"]}', '/a/0'],
    ['{"serial":"EX36\\u0000"}', '/serial'],
    ['"\\ud800"', ''],
    ['{"\\ud800":1}', '/\ufffd'],
    ['{"a":{"b\\u0000":1}}', '/a/b\ufffd'],
  ])('%s cannot be stored', (text, pointer) => {
    const outcome = accepted(text)
    expect(outcome.refusals).toEqual([{ code: 'text-invalid', pointer }])
    expect(digestOf(outcome.canonical)).toMatch(/^sha256:[0-9a-f]{64}$/)
    expect(read(outcome.canonical).ok).toBe(true)
  })
})

describe('what is no JSON', () => {
  test.each([
    ['', 0],
    ['   ', 3],
    ['\ufeff{}', 0],
    ['{', 1],
    ['{"a"', 4],
    ['{"a":', 5],
    ['{"a":1', 6],
    ['{"a":1,}', 7],
    ['{a:1}', 1],
    ["{'a':1}", 1],
    ['[1,]', 3],
    ['[1 2]', 3],
    ['[', 1],
    ['01', 2], // Behind its digits.
    ['-', 1],
    ['1.', 2],
    ['1e', 2],
    ['.5', 0],
    ['+1', 0],
    ['NaN', 0],
    ['Infinity', 0],
    ['-Infinity', 1],
    ['nul', 0],
    ['True', 0],
    ['"a', 2],
    ['"a\nb"', 2],
    ['"a\\', 2],
    ['"\\x41"', 1],
    ['"\\u12g4"', 1],
    ['{} {}', 3],
    ['{"\u03a9":x}', 6],
    ['/* */ 1', 0],
    ['\u00a01', 0],
  ])('%j breaks off at byte %i', (text, offset) => {
    const outcome = read(text)
    expect(outcome).toMatchObject({ ok: false, code: 'json-syntax' })
    expect(outcome.ok ? -1 : outcome.offset).toBe(offset)
  })

  test.each([
    [[0xff], 0],
    [[0x22, 0x61, 0xc0, 0x80, 0x22], 2],
    [[0x22, 0xed, 0xa0, 0x80, 0x22], 1],
    [[0x22, 0xe2, 0x82], 1],
    [[0x22, 0xce, 0xa9, 0xef, 0xbf], 3],
    [[0x22, 0xef, 0xbf, 0xbd, 0xef, 0xbf, 0x22], 4],
    [[0x22, 0xf5, 0x80, 0x80, 0x80, 0x22], 1],
  ])('%j is not UTF-8', (bytes, offset) => {
    const outcome = readJson(Uint8Array.from(bytes))
    expect(outcome).toMatchObject({ ok: false, code: 'not-utf8' })
    expect(outcome.ok ? -1 : outcome.offset).toBe(offset)
  })

  test('32 levels are read, a 33rd is too deep, and so are ten thousand', () => {
    expect(accepted('['.repeat(32) + ']'.repeat(32)).canonical).toBe('['.repeat(32) + ']'.repeat(32))
    expect(read('['.repeat(33) + ']'.repeat(33))).toMatchObject({ ok: false, code: 'too-deep', offset: 32 })
    expect(read('['.repeat(10_000))).toMatchObject({ ok: false, code: 'too-deep', offset: 32 })
    expect(read('{"a":'.repeat(10_000))).toMatchObject({ ok: false, code: 'too-deep', offset: 160 })
    // Beside each other is not inside each other.
    expect(accepted(`[${'[],'.repeat(1000)}[]]`).refusals).toEqual([])
  })
})

describe('against JSON.parse', () => {
  test('random values', () => {
    const named = fc.dictionary(fc.string({ unit: 'binary', maxLength: 5 }), fc.jsonValue({ depthSize: 'small' }))
    fc.assert(
      fc.property(fc.oneof(fc.jsonValue({ stringUnit: 'binary' }), named), (value) => {
        const text = JSON.stringify(value)
        const outcome = accepted(text)
        // NUL is JSON, and refused all the same.
        expect(outcome.refusals.every(({ code }) => code === 'text-invalid')).toBe(true)
        expect(outcome.refusals.length > 0).toBe(text.includes('\\u0000'))
        expect(plain(outcome.value)).toEqual(JSON.parse(text))
      }),
      { numRuns: 1000 },
    )
  })

  test('numbers of all spellings', () => {
    fc.assert(
      fc.property(fc.double({ noNaN: true, noDefaultInfinity: true }), fc.maxSafeInteger(), (double, whole) => {
        for (const text of [JSON.stringify(double), double.toExponential(), String(whole)]) {
          const { value } = accepted(`[${text}]`)
          const item = Array.isArray(value) ? value[0] : undefined
          if (item instanceof NumberText) expect(item.text).toBe(text)
          else expect(String(item)).toBe(text)
        }
      }),
      { numRuns: 1000 },
    )
  })

  test('broken bytes: never a throw, and never another opinion on what is JSON', () => {
    const bytes = encoder.encode(contractUpload)
    const small = encoder.encode('{"a":[1,-2.5e+3,"x\\u00e9\u03a9",{"b":null,"c":true}],"value":1.5}')
    const change = fc.record({
      at: fc.double({ min: 0, max: 1, noNaN: true, maxExcluded: true }),
      how: fc.constantFrom('replace', 'insert', 'remove', 'cut'),
      byte: fc.oneof(fc.integer({ min: 0, max: 255 }), fc.constantFrom(...encoder.encode('"\\{}[]:,0-.eEtfnu \n'))),
    })
    fc.assert(
      fc.property(
        fc.constantFrom<Uint8Array>(bytes, small),
        fc.array(change, { minLength: 1, maxLength: 4 }),
        (original, changes) => {
          let mutated = Array.from(original)
          for (const { at, how, byte } of changes) {
            const index = Math.floor(at * mutated.length)
            if (how === 'cut') mutated = mutated.slice(0, index)
            else mutated.splice(index, how === 'insert' ? 0 : 1, ...(how === 'remove' ? [] : [byte]))
          }
          const buffer = Buffer.from(mutated)
          const outcome = readJson(buffer)
          const text = buffer.toString('utf8')
          let parsed: { value: unknown } | undefined
          try {
            parsed = { value: JSON.parse(text) }
          } catch {
            parsed = undefined
          }
          if (outcome.ok) {
            expect(parsed).toBeDefined()
            expect(read(outcome.canonical)).toMatchObject({ ok: true, canonical: outcome.canonical })
          } else if (outcome.code === 'json-syntax') {
            expect(parsed).toBeUndefined()
            expect(outcome.offset).toBeLessThanOrEqual(buffer.length)
          } else {
            expect(outcome.code).toBe('not-utf8')
            expect(Buffer.from(text, 'utf8').equals(buffer)).toBe(false)
          }
        },
      ),
      { numRuns: 3000 },
    )
  })
})
