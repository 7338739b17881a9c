import { describe, expect, test } from 'vitest'
import { isWellFormedText, KeyWire, TextWire } from '../../src/exact/text.ts'

describe('keys', () => {
  test.each(['a', 'LDS-F2:0007315', 'EX36-26-004417', 'A.b_c', 'x'.repeat(64)])('%j is one', (key) => {
    expect(KeyWire.safeParse(key).success).toBe(true)
  })

  test.each(['', 'x'.repeat(65), 'a b', 'a/b', 'a\n', '\na', 'caf\u00e9', "'; DROP TABLE runs; --", 'a\0', 7, null])(
    '%j is none',
    (key) => {
      expect(KeyWire.safeParse(key).success).toBe(false)
    },
  )
})

describe('text', () => {
  test.each(['Workshop dust extractor EX36', '\u96fb\u6c17', '\u{1f50c}', "Robert'); DROP TABLE"])(
    '%j is text',
    (text) => {
      expect(TextWire(40).safeParse(text).success).toBe(true)
    },
  )

  test.each(['', 'x'.repeat(41), 'a\0b', 'a\nb', 'a\u007fb', 'a\u0085b', 'a\ud800b', '\udc00', 7, null])(
    '%j is none',
    (text) => {
      expect(TextWire(40).safeParse(text).success).toBe(false)
    },
  )

  test('the least length can be none', () => {
    expect(TextWire(40, 0).safeParse('').success).toBe(true)
  })

  test('what cannot be stored', () => {
    expect(isWellFormedText('a\tb\n\u{1f50c}')).toBe(true)
    expect(isWellFormedText('a\0')).toBe(false)
    expect(isWellFormedText('\ud83d')).toBe(false)
    expect(isWellFormedText('\udd0c\ud83d')).toBe(false)
  })
})
