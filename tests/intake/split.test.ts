import { createHash } from 'node:crypto'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Piece, type SplitLimits, type Splitter, splitArray, splitLines } from '../../src/intake/split.ts'

const LIMITS: SplitLimits = { pieceMax: 64, headMax: 8, paddingMax: 256 }

/** All pieces of a stream cut at these places, and what went wrong. */
function split(splitter: Splitter, bytes: Buffer, cuts: readonly number[] = []) {
  const pieces: Piece[] = []
  let from = 0
  for (const cut of [...cuts.map((one) => one % (bytes.length + 1)).sort((a, b) => a - b), bytes.length]) {
    pieces.push(...splitter.feed(bytes.subarray(from, cut)))
    from = cut
  }
  pieces.push(...splitter.end())
  return { fault: splitter.fault, pieces: pieces.map(shown) }
}

function shown(piece: Piece) {
  return piece.kind === 'upload'
    ? { line: piece.line, text: piece.bytes.toString('utf8') }
    : { line: piece.line, head: piece.head.toString('utf8'), length: piece.length, digest: piece.digest }
}

const texts = (pieces: readonly ReturnType<typeof shown>[]) => pieces.map((one) => ('text' in one ? one.text : one))
const cutsOf = fc.array(fc.nat(4_000), { maxLength: 40 })
const stream = fc.oneof(
  fc.string({ unit: fc.constantFrom(...'{}[]",\\:a1 \n\r\t'), maxLength: 200 }),
  fc.json().map((text) => `[${text},\n${text} ]`),
)

describe('however a stream is cut, the same comes of it', () => {
  test.each([
    ['lines', splitLines],
    ['an array', splitArray],
  ])('%s', (_, make) => {
    fc.assert(
      fc.property(stream, cutsOf, (text, cuts) => {
        const bytes = Buffer.from(text, 'utf8')
        expect(split(make(LIMITS), bytes, cuts)).toEqual(split(make(LIMITS), bytes))
      }),
      { numRuns: 1_000 },
    )
  })
})

describe('lines', () => {
  test('are what stands between line ends, where it is not blank', () => {
    fc.assert(
      fc.property(fc.array(fc.string({ maxLength: 30 })), (lines) => {
        const clean = lines.map((line) => line.replaceAll('\n', ''))
        const wanted = clean.map((line) => line.replace(/^[ \t\r]+/, '')).filter((line) => line !== '')
        const { pieces, fault } = split(splitLines(), Buffer.from(clean.join('\n'), 'utf8'))
        expect(texts(pieces)).toEqual(wanted)
        expect(fault).toBeUndefined()
      }),
    )
  })

  test('count from one, without the empty ones, and the last needs no line end', () => {
    expect(split(splitLines(), Buffer.from('\n{"a":1}\n \r\n\n{"b":2}')).pieces).toEqual([
      { line: 1, text: '{"a":1}' },
      { line: 2, text: '{"b":2}' },
    ])
  })

  test('one that is too long keeps its beginning, its length and the hash of all of it', () => {
    const long = 'x'.repeat(100)
    const digest = `sha256:${createHash('sha256').update(long).digest('hex')}`
    for (const cuts of [[], [3], [63, 64, 65]]) {
      expect(split(splitLines(LIMITS), Buffer.from(`1\n${long}\n2`), cuts).pieces).toEqual([
        { line: 1, text: '1' },
        { line: 2, head: 'xxxxxxxx', length: 100, digest },
        { line: 3, text: '2' },
      ])
    }
    expect(split(splitLines(LIMITS), Buffer.from('y'.repeat(64))).pieces).toEqual([{ line: 1, text: 'y'.repeat(64) }])
  })

  test.each([
    ['blank lines', '\n'.repeat(300)],
    ['blanks', ' '.repeat(300)],
    ['one endless line', 'x'.repeat(64 + 257)],
  ])('padding by %s ends the stream', (_, padding) => {
    const { fault, pieces } = split(splitLines(LIMITS), Buffer.from(`1\n${padding}\n2`), [5, 50, 200])
    expect(fault).toBe('stream-padded')
    expect(pieces[0]).toEqual({ line: 1, text: '1' })
    expect(pieces).not.toContainEqual(expect.objectContaining({ text: '2' }))
  })
})

describe('an array', () => {
  test('gives its elements, whatever is in them and between them', () => {
    const blanks = fc.constantFrom('', ' ', '\n', '\r\n\t')
    fc.assert(
      fc.property(fc.array(fc.tuple(fc.json(), blanks, blanks)), (elements) => {
        const text = `${elements.map(([json, before, after]) => `${before}${json}${after}`).join(',')}`
        const { pieces, fault } = split(splitArray(), Buffer.from(` [${text}] \n`, 'utf8'))
        expect(fault).toBeUndefined()
        expect(texts(pieces).map((one) => JSON.parse(String(one)))).toEqual(elements.map(([json]) => JSON.parse(json)))
      }),
    )
  })

  test.each([
    ['', 'not-an-array', []],
    ['{"a":1}', 'not-an-array', []],
    ['[', 'array-broken', []],
    ['[1,2', 'array-broken', ['1']],
    ['[1,2,', 'array-broken', ['1', '2']],
    ['[1,]', 'array-broken', ['1']],
    ['[,1]', 'array-broken', []],
    ['[1]]', 'array-broken', ['1']],
    ['[1] 2', 'array-broken', ['1']],
    ['[{"a":1}}', 'array-broken', ['{"a":1}']],
    ['["a,]b\\"", {"x":"}"}]', undefined, ['"a,]b\\""', '{"x":"}"}']],
    ['[]', undefined, []],
  ])('%s', (text, fault, wanted) => {
    const got = split(splitArray(), Buffer.from(text, 'utf8'))
    expect([got.fault, texts(got.pieces)]).toEqual([fault, wanted])
  })

  test('one element that is too long, and padding', () => {
    const got = split(splitArray(LIMITS), Buffer.from(`[1,"${'x'.repeat(98)}",2]`), [70])
    expect(got.fault).toBeUndefined()
    expect(got.pieces).toMatchObject([{ text: '1' }, { head: '"xxxxxxx', length: 100 }, { text: '2' }])
    expect(split(splitArray(LIMITS), Buffer.from(`[1,${' '.repeat(300)}2]`)).fault).toBe('stream-padded')
    expect(split(splitArray(LIMITS), Buffer.from(`["${'x'.repeat(400)}`)).fault).toBe('stream-padded')
  })
})
