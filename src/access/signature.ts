import { createCipheriv, createDecipheriv, createHmac, timingSafeEqual } from 'node:crypto'
import { writeBase32 } from './base32.ts'

/**
 * Presence: a person's key together with a one-time code of RFC 6238 (SHA-1, 6 digits, 30 s, one step either way). A
 * code opens five minutes in which the key alone is enough for further signatures (21 CFR 11.200(a)(1)(i)).
 */

export const CODE_DIGITS = 6
export const CODE_PERIOD_SECONDS = 30
export const PRESENCE_MS = 300_000
/** RFC 4226 section 4 recommends 160 bits, the length of the hash. */
export const CODE_SECRET_BYTES = 20
/** Steps accepted before and after the present one, for clocks that differ and people who type slowly. */
const STEPS_EITHER_WAY = 1

/** HOTP of RFC 4226 section 5.3: `digits` decimal digits for the counter. */
export function hotp(secret: Uint8Array, counter: number, digits = CODE_DIGITS): string {
  const message = Buffer.alloc(8)
  message.writeBigUInt64BE(BigInt(counter))
  const mac = createHmac('sha1', secret).update(message).digest()
  const offset = mac.readUInt8(mac.length - 1) & 0x0f // The low four bits of the last byte say where to read.
  const truncated = mac.readUInt32BE(offset) & 0x7fff_ffff
  return String(truncated % 10 ** digits).padStart(digits, '0')
}

/** The time step of RFC 6238 section 4.2 in which an instant (milliseconds since the epoch) lies. */
export function timeStep(at: number): number {
  return Math.floor(at / (CODE_PERIOD_SECONDS * 1000))
}

/**
 * The time step whose code this is, at `at` (milliseconds since the epoch); undefined where it is none of the three. All
 * are compared in full, so the time taken says nothing. The latest step wins, so that a code is not used up for an
 * earlier one.
 */
export function matchingStep(secret: Uint8Array, code: string, at: number): number | undefined {
  const now = timeStep(at)
  const given = Buffer.from(code, 'utf8')
  let found: number | undefined
  for (let step = Math.max(0, now - STEPS_EITHER_WAY); step <= now + STEPS_EITHER_WAY; step += 1) {
    const expected = Buffer.from(hotp(secret, step), 'utf8')
    if (given.length === expected.length && timingSafeEqual(given, expected)) {
      found = step
    }
  }
  return found
}

/** The secret as an otpauth URI, from which authenticators draw what they need. */
export function otpauthUri(person: string, secret: Uint8Array): string {
  const label = `Limitkeep:${encodeURIComponent(person)}`
  return `otpauth://totp/${label}?secret=${writeBase32(secret)}&issuer=Limitkeep&algorithm=SHA1&digits=${CODE_DIGITS}&period=${CODE_PERIOD_SECONDS}`
}

const SEAL_FORMAT = 'v1'
export const NONCE_BYTES = 12
const TAG_BYTES = 16

/**
 * Seals a secret with AES-256-GCM for storing. `nonce` is 12 fresh random bytes; the person is bound in, so that a sealed
 * secret moved to another person's row does not open.
 */
export function sealSecret(key: Uint8Array, person: string, secret: Uint8Array, nonce: Uint8Array): string {
  if (nonce.length !== NONCE_BYTES) {
    throw new RangeError(`a nonce has ${NONCE_BYTES} bytes`)
  }
  const cipher = createCipheriv('aes-256-gcm', key, nonce, { authTagLength: TAG_BYTES })
  cipher.setAAD(Buffer.from(person, 'utf8'))
  const sealed = Buffer.concat([cipher.update(secret), cipher.final()])
  const parts = [nonce, cipher.getAuthTag(), sealed].map((bytes) => Buffer.from(bytes).toString('base64url'))
  return [SEAL_FORMAT, ...parts].join('.')
}

/** Opens what `sealSecret` made. Throws where the key or the person is another, or a bit was changed. */
export function openSecret(key: Uint8Array, person: string, sealed: string): Uint8Array {
  const [format, nonce = '', tag = '', body = ''] = sealed.split('.')
  if (format !== SEAL_FORMAT) {
    throw new Error(`a secret of ${person} is sealed in a form this version does not know`)
  }
  const decipher = createDecipheriv('aes-256-gcm', key, Buffer.from(nonce, 'base64url'), { authTagLength: TAG_BYTES })
  decipher.setAAD(Buffer.from(person, 'utf8'))
  decipher.setAuthTag(Buffer.from(tag, 'base64url'))
  return Buffer.concat([decipher.update(Buffer.from(body, 'base64url')), decipher.final()])
}
