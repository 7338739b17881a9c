import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { bearerToken, isSameHash, keyIdFrom, readToken, secretHash, writeToken } from '../../src/access/keys.ts'

describe('tokens', () => {
  test('what is written is read, whatever the bytes', () => {
    const bytes = (length: number) => fc.uint8Array({ minLength: length, maxLength: length })
    fc.assert(
      fc.property(bytes(10), bytes(32), (idBytes, secretBytes) => {
        const id = keyIdFrom(idBytes)
        const token = writeToken(id, secretBytes)
        expect(token).toMatch(/^lk_[a-z2-7]{16}_[A-Za-z0-9_-]{43}$/)
        expect(readToken(token)).toEqual({ id, secret: Buffer.from(secretBytes).toString('base64url') })
      }),
    )
  })

  const token = writeToken(keyIdFrom(Buffer.alloc(10, 5)), Buffer.alloc(32, 9))
  test.each([
    '',
    'lk_',
    token.slice(1),
    token.slice(0, -1),
    `${token}A`,
    token.toUpperCase(),
    `${token}\n`,
    token.replace('lk_', 'lk-'),
  ])('%j is no token', (text) => {
    expect(readToken(text)).toBeUndefined()
  })

  test('other lengths of random bytes are bugs', () => {
    expect(() => keyIdFrom(Buffer.alloc(9))).toThrow(RangeError)
    expect(() => writeToken('aaaaaaaaaaaaaaaa', Buffer.alloc(31))).toThrow(RangeError)
  })

  test('hashes compare equal only when they are', () => {
    const hash = secretHash('secret')
    // SHA-256 of the five-letter text, computed with another tool (sha256sum).
    expect(secretHash('hello')).toBe('2cf24dba5fb0a30e26e83b2ac5b9e29e1b161e5c1fa7425e73043362938b9824')
    expect(isSameHash(hash, secretHash('secret'))).toBe(true)
    expect(isSameHash(hash, secretHash('Secret'))).toBe(false)
    expect(isSameHash(hash, hash.slice(1))).toBe(false)
    expect(isSameHash(hash, '')).toBe(false)
  })
})

describe('the Authorization header', () => {
  test.each([
    ['Bearer abc', 'abc'],
    ['bearer   abc', 'abc'],
    [' Bearer abc ', 'abc'],
    ['Bearer a.b-c_d~e+f/g=', 'a.b-c_d~e+f/g='],
  ])('%j carries %j', (header, token) => {
    expect(bearerToken(header)).toBe(token)
  })

  test.each([
    undefined,
    '',
    'Bearer',
    'Bearer ',
    'Basic abc',
    'Bearer a b',
    'Bearer "a"',
    'Bearerabc',
    `Bearer ${'a'.repeat(513)}`,
  ])('%j carries none', (header) => {
    expect(bearerToken(header)).toBeUndefined()
  })
})
