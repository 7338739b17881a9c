import { createHash, timingSafeEqual } from 'node:crypto'
import { writeBase32 } from './base32.ts'

/**
 * Access keys read `lk_<id>_<secret>`: an id that may be shown and logged, and 32 random bytes as base64url. Stored is
 * the SHA-256 of the secret alone: 256 random bits need no salt and no slow hash.
 */

const PREFIX = 'lk_'
export const KEY_SECRET_BYTES = 32
export const KEY_ID_BYTES = 10
const SECRET_LENGTH = 43 // 32 bytes in base64url without padding
const ID_LENGTH = 16 // 10 bytes in base32

const TOKEN = new RegExp(`^${PREFIX}([a-z2-7]{${ID_LENGTH}})_([A-Za-z0-9_-]{${SECRET_LENGTH}})$`)

/** The id of a new key from 10 random bytes: 16 characters of base32 in lower case. */
export function keyIdFrom(random: Uint8Array): string {
  if (random.length !== KEY_ID_BYTES) {
    throw new RangeError(`a key id is made of ${KEY_ID_BYTES} bytes`)
  }
  return writeBase32(random).toLowerCase()
}

/** The token a client sends, from the id and 32 random bytes. It is shown once and never stored. */
export function writeToken(id: string, secret: Uint8Array): string {
  if (secret.length !== KEY_SECRET_BYTES) {
    throw new RangeError(`a key's secret has ${KEY_SECRET_BYTES} bytes`)
  }
  return `${PREFIX}${id}_${Buffer.from(secret).toString('base64url')}`
}

/** The parts of a token; undefined where the text has not its form. */
export function readToken(token: string): { readonly id: string; readonly secret: string } | undefined {
  const parts = TOKEN.exec(token)
  const [, id, secret] = parts ?? []
  return id === undefined || secret === undefined ? undefined : { id, secret }
}

/** What is stored of a secret (its 43 characters): SHA-256, in hex. */
export function secretHash(secret: string): string {
  return createHash('sha256').update(secret, 'utf8').digest('hex')
}

/** Compares two hashes of `secretHash` in a time that tells nothing of where they differ. */
export function isSameHash(a: string, b: string): boolean {
  const left = Buffer.from(a, 'utf8')
  const right = Buffer.from(b, 'utf8')
  return left.length === right.length && timingSafeEqual(left, right)
}

/** The token in an Authorization header (RFC 6750); undefined where there is none of the scheme Bearer. */
export function bearerToken(header: string | undefined): string | undefined {
  return /^Bearer +([A-Za-z0-9._~+/=-]{1,512})$/i.exec(header?.trim() ?? '')?.[1]
}
