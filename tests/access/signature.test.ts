import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { readBase32, writeBase32 } from '../../src/access/base32.ts'
import { hotp, matchingStep, openSecret, otpauthUri, sealSecret, timeStep } from '../../src/access/signature.ts'

const RFC_SECRET = Buffer.from('12345678901234567890', 'ascii')

describe('one-time codes', () => {
  // RFC 4226, appendix D.
  test.each(
    ['755224', '287082', '359152', '969429', '338314', '254676', '287922', '162583', '399871', '520489'].map(
      (code, counter) => ({ counter, code }),
    ),
  )('counter $counter gives $code', ({ counter, code }) => {
    expect(hotp(RFC_SECRET, counter)).toBe(code)
  })

  // RFC 6238, appendix B, the rows for SHA-1 (eight digits there).
  test.each([
    [59, '94287082'],
    [1_111_111_109, '07081804'],
    [1_111_111_111, '14050471'],
    [1_234_567_890, '89005924'],
    [2_000_000_000, '69279037'],
    [20_000_000_000, '65353130'],
  ])('at second %i it is %s', (seconds, code) => {
    expect(hotp(RFC_SECRET, timeStep(seconds * 1000), 8)).toBe(code)
  })

  test('the codes of the step before, the present one and the next count, no others', () => {
    const at = 1_111_111_111_000
    const now = timeStep(at)
    const found = [-2, -1, 0, 1, 2].map((away) => matchingStep(RFC_SECRET, hotp(RFC_SECRET, now + away), at))
    expect(found).toEqual([undefined, now - 1, now, now + 1, undefined])
  })

  test('a step begins with its first millisecond', () => {
    expect(timeStep(30_000)).toBe(1)
    expect(timeStep(29_999)).toBe(0)
  })

  test.each(['', '12345', '1234567', '٠٨١٨٠٤', 'abcdef'])('%j is nobody’s code', (code) => {
    expect(matchingStep(RFC_SECRET, code, 59_000)).toBeUndefined()
  })
})

describe('base32', () => {
  // RFC 4648, section 10, without the padding.
  test.each([
    ['', ''],
    ['f', 'MY'],
    ['fo', 'MZXQ'],
    ['foo', 'MZXW6'],
    ['foob', 'MZXW6YQ'],
    ['fooba', 'MZXW6YTB'],
    ['foobar', 'MZXW6YTBOI'],
  ])('%j is %j', (plain, text) => {
    expect(writeBase32(Buffer.from(plain, 'ascii'))).toBe(text)
    expect(Buffer.from(readBase32(text) ?? []).toString('ascii')).toBe(plain)
  })

  test('any bytes come back', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 40 }), (bytes) => {
        expect(readBase32(writeBase32(bytes))).toEqual(Uint8Array.from(bytes))
      }),
    )
  })

  test.each(['M1', 'M ', 'MÄ'])('%j is refused', (text) => {
    expect(readBase32(text)).toBeUndefined()
  })

  test('the otpauth URI carries the secret', () => {
    expect(otpauthUri('P-0398', RFC_SECRET)).toBe(
      'otpauth://totp/Limitkeep:P-0398?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=Limitkeep&algorithm=SHA1&digits=6&period=30',
    )
  })
})

describe('sealed secrets', () => {
  const key = Buffer.alloc(32, 1)
  const nonce = Buffer.alloc(12, 2)
  const sealed = sealSecret(key, 'P-0398', RFC_SECRET, nonce)

  test('open with the same key for the same person', () => {
    expect(Buffer.from(openSecret(key, 'P-0398', sealed))).toEqual(RFC_SECRET)
    expect(sealed).not.toContain(RFC_SECRET.toString('base64url'))
  })

  test('open for nobody else, with no other key, and not after a change', () => {
    expect(() => openSecret(key, 'P-0417', sealed)).toThrow()
    expect(() => openSecret(Buffer.alloc(32, 3), 'P-0398', sealed)).toThrow()
    expect(() => openSecret(key, 'P-0398', `v2${sealed.slice(2)}`)).toThrow(/form/)
    // The last digit of the body holds two bits of padding, so the one before is changed.
    const body = sealed.at(-2) === 'A' ? 'B' : 'A'
    expect(() => openSecret(key, 'P-0398', sealed.slice(0, -2) + body + sealed.slice(-1))).toThrow()
  })

  test('a nonce of another length is a bug', () => {
    expect(() => sealSecret(key, 'P-0398', RFC_SECRET, Buffer.alloc(11))).toThrow(RangeError)
  })
})
