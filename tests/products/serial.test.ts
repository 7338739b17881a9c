import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { normaliseSerial, readSerialRule, type SerialRule } from '../../src/products/serial.ts'

const rule = (pattern: string, more: Partial<SerialRule> = {}): SerialRule => ({
  pattern,
  letters: 'upper',
  trim: true,
  ...more,
})

function compiled(pattern: string, more: Partial<SerialRule> = {}) {
  const read = readSerialRule(rule(pattern, more))
  if (!('compiled' in read)) throw new Error(JSON.stringify(read.refusals))
  return read.compiled
}

function normalised(pattern: string, raw: string, more: Partial<SerialRule> = {}): string | undefined {
  const read = normaliseSerial(compiled(pattern, more), raw)
  return 'serial' in read ? read.serial : undefined
}

describe('serials as text', () => {
  test('leading zeros tell two units apart, and nothing is padded or stripped', () => {
    expect(normalised('^[0-9]{6,9}$', '000451872')).toBe('000451872')
    expect(normalised('^[0-9]{6,9}$', '451872')).toBe('451872')
    expect(normalised('^[0-9]{9}$', '451872')).toBeUndefined()
  })

  test('scanner suffix, blanks at the ends and lower case give one unit', () => {
    for (const raw of [' sn-00ab12\r\n', 'SN-00AB12', '\tSn-00Ab12\0', '\u001fsn-00ab12\u007f']) {
      expect(normalised('^SN-[0-9A-F]{6}$', raw)).toBe('SN-00AB12')
    }
  })

  test.each([
    ['Cyrillic A', 'SN-00\u0410B12', 'U+0410'],
    ['zero-width space', 'SN-00AB\u200b12', 'U+200B'],
    ['full-width digit', 'SN-00AB1\uff12', 'U+FF12'],
    ['no-break space at the end', 'SN-00AB12\u00a0', 'U+00A0'],
    ['dotless i, whose upper case is an ASCII letter', 'SN-00AB\u01312', 'U+0131'],
    ['long s, whose upper case is an ASCII letter', '\u017fN-00AB12', 'U+017F'],
    ['control character inside', 'SN-\u000000AB12', 'U+0000'],
    ['line end inside', 'SN-00\nAB12', 'U+000A'],
    ['half of a surrogate pair', 'SN-00AB\ud80012', 'U+D800'],
    ['a character beyond the basic plane', 'SN-00AB\u{1d7d0}12', 'U+1D7D0'],
  ])('%s is refused by name', (_, raw, name) => {
    const read = normaliseSerial(compiled('^SN-[0-9A-F]{6}$'), raw)
    expect(read).toEqual({ refused: 'serial-not-allowed', detail: expect.stringContaining(name) })
  })

  test('without trim, blanks at the ends are part of the serial and refused by the pattern', () => {
    expect(normalised('^SN[0-9]$', 'SN1\r', { trim: false })).toBeUndefined()
    expect(normalised('^SN[0-9]$', 'SN1', { trim: false })).toBe('SN1')
    expect(normalised('^ SN[0-9] $', ' SN1 ', { trim: false })).toBe(' SN1 ')
  })

  test('letters are put in the case of the rule, or left alone', () => {
    expect(normalised('^[a-z]{2}$', 'AB', { letters: 'lower' })).toBe('ab')
    expect(normalised('^[a-z]{2}$', 'AB', { letters: 'any' })).toBeUndefined()
    expect(normalised('^[A-Za-z]{2}$', 'aB', { letters: 'any' })).toBe('aB')
  })

  test.each([
    ['SN-1', 'has 4 characters; those of this product have 5'],
    ['SN-1X', "'X'"],
    ['NS-12', 'does not match the pattern'],
    ['1'.repeat(257), 'longer than 256'],
    ['', 'has 0 characters'],
  ])('says of %j what is wrong', (raw, words) => {
    const read = normaliseSerial(compiled('^SN-[0-9]{2}$'), raw)
    expect(read).toEqual({ refused: 'serial-not-allowed', detail: expect.stringContaining(words) })
  })

  test('the example of the product version', () => {
    expect(normalised('^EX36-[0-9]{2}-[0-9]{6}$', 'ex36-26-004417')).toBe('EX36-26-004417')
    expect(normalised('^EX36-[0-9]{2}-[0-9]{6}$', 'EX36-26-004417X')).toBeUndefined()
    expect(normalised('^EX36-[0-9]{2}-[0-9]{6}$', 'XEX36-26-004417')).toBeUndefined()
  })
})

describe('patterns', () => {
  test.each([
    ['^A?B$', ['B', 'AB'], ['A', 'AAB']],
    ['^A{2}$', ['AA'], ['A', 'AAA']],
    ['^A{1,3}A$', ['AA', 'AAAA'], ['A', 'AAAAA']],
    ['^[0-9]{0,2}-$', ['-', '1-', '12-'], ['123-', '1']],
    ['^[-A]\\.\\-$', ['-.-', 'A.-'], ['AA-']],
    ['^[A-C^]$', ['A', 'C', '^'], ['D']],
    ['AB', ['AB'], ['AAB', 'ABB']],
    ['^[\\]\\\\]$', [']', '\\'], ['[']],
    ['^A[0-9]?[0-9]?[0-9]{2}$', ['A12', 'A123', 'A1234'], ['A1', 'A12345']],
  ])('%s matches the whole serial', (pattern, good, bad) => {
    for (const serial of good) expect(normalised(pattern, serial)).toBe(serial)
    for (const serial of bad) expect(normalised(pattern, serial)).toBeUndefined()
  })

  test.each([
    ['^A*$', 2, "'*' has no bound"],
    ['^A+$', 2, "'+' has no bound"],
    ['^.{8}$', 1, "'.' would allow anything"],
    ['^(AB){2}$', 1, 'groups'],
    ['^A|B$', 2, 'alternatives'],
    ['^A{65}$', 2, 'more than 64 times'],
    ['^A{1,}$', 2, '{n} or {n,m}'],
    ['^A{,3}$', 2, '{n} or {n,m}'],
    ['^A{3,1}$', 2, 'backwards'],
    ['^A{0}$', 2, 'no times'],
    ['^A{2', 2, '{n} or {n,m}'],
    ['^A{2}{2}$', 5, 'cannot be repeated'],
    ['^A??$', 3, 'cannot be repeated'],
    ['^A{2}?$', 5, 'cannot be repeated'],
    ['^?A$', 1, 'repeats nothing'],
    ['^[^A]$', 2, 'a class names the characters that are allowed'],
    ['^[Z-A]$', 2, 'backwards'],
    ['^[A$', 1, 'not closed'],
    ['^[]$', 1, 'empty'],
    ['^[A-C-E]$', 5, 'hyphen'],
    ['^A\\d$', 2, 'not understood'],
    ['^A\\', 3, 'ends too early'],
    ['^A^B$', 2, "'^' stands only at the beginning"],
    ['^A$B$', 2, "'$' stands only at the end"],
    ['^A]$', 2, 'closes nothing'],
    ['^\u00c4$', 1, 'printable ASCII'],
    ['^$', 0, 'empty serial'],
    ['^A?B{0,3}$', 0, 'empty serial'],
    ['^A{64}B{64}C$', 0, 'the most is 128'],
    ['^ab$', 1, 'upper case'],
  ])('%s is refused at character %i', (pattern, at, words) => {
    expect(readSerialRule(rule(pattern))).toEqual({ refusals: [{ at, detail: expect.stringContaining(words) }] })
  })

  test('a class may name both cases; the case that cannot occur is left out', () => {
    expect(normalised('^[A-Za-z]{2}$', 'ab')).toBe('AB')
  })

  /** One piece of the language as text that the language of regular expressions reads alike, and characters near it. */
  const atoms = fc.constantFrom(
    ['A', 'AB'],
    ['B', 'BA'],
    ['0', '01'],
    ['-', '-.'],
    ['[AB]', 'ABC'],
    ['[A-C0-2]', 'AC19'],
    ['\\.', '.-'],
    ['[-.]', '-.A'],
  )
  const repeats = fc.oneof(
    fc.constantFrom('', '?'),
    fc.integer({ min: 1, max: 3 }).map((n) => `{${n}}`),
    fc.tuple(fc.integer({ min: 0, max: 2 }), fc.integer({ min: 1, max: 2 })).map(([n, m]) => `{${n},${n + m}}`),
  )
  const pieces = fc
    .tuple(atoms, repeats, fc.array(fc.nat(2), { maxLength: 3 }))
    .map(([[atom = '', near = ''], repeat, picks]) => ({
      pattern: atom + repeat,
      text: picks.map((pick) => near.charAt(pick % near.length)).join(''),
    }))
  const cases = fc.array(pieces, { minLength: 1, maxLength: 4 }).map((all) => ({
    pattern: `^${all.map(({ pattern }) => pattern).join('')}$`,
    text: all.map(({ text }) => text).join(''),
  }))

  test('agrees with regular expressions on every pattern and text of the language', () => {
    let matched = 0
    fc.assert(
      fc.property(cases, ({ pattern, text }) => {
        const read = readSerialRule(rule(pattern, { letters: 'any', trim: false }))
        if (!('compiled' in read)) return new RegExp(pattern).test('')
        const expected = new RegExp(pattern).test(text)
        matched += expected ? 1 : 0
        return 'serial' in normaliseSerial(read.compiled, text) === expected
      }),
      { numRuns: 5_000 },
    )
    expect(matched).toBeGreaterThan(200)
  })

  test('what it normalised once it leaves alone the second time', () => {
    fc.assert(
      fc.property(fc.string({ unit: fc.constantFrom('a', 'B', '1', ' ', '\r', '-'), maxLength: 10 }), (raw) => {
        const first = normalised('^[AB1-]{0,9}1$', raw)
        return first === undefined || normalised('^[AB1-]{0,9}1$', first) === first
      }),
    )
  })

  test('no pattern and serial make it slow, not even those that take a backtracking matcher for ever', () => {
    const hard = [
      [compiled(`^${'A?'.repeat(62)}A{62}$`, { letters: 'any' }), 'A'.repeat(61)],
      [compiled('^[AB]{0,32}[AB]{0,32}[AB]{0,31}[AB]{0,32}C$', { letters: 'any' }), `${'AB'.repeat(60)}`],
    ] as const
    const began = performance.now()
    for (let round = 0; round < 200; round += 1) {
      for (const [one, serial] of hard) expect('refused' in normaliseSerial(one, serial)).toBe(true)
    }
    // Some 16,000 steps each; a matcher that goes back would need 2^62 for the first alone.
    expect((performance.now() - began) / 400).toBeLessThan(5)
  })
})
