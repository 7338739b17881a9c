import { JsonFault, JsonReader, type JsonRefusal, type JsonValue } from './json-reader.ts'

/**
 * One strict pass over the bytes of a JSON body (RFC 8259): value, canonical text and what is refused in it.
 *
 * `JSON.parse` would turn 0.1000000000000000055 into 0.1 and let the last of two members of one name win without a
 * word. This reader keeps the digits of every number that could change, refuses doubled members, and writes the
 * canonical text (RFC 8785) on the way, so that digest and decision rest on the same reading.
 */

export { canonicalNumber, type JsonRefusal, type JsonValue, NumberText } from './json-reader.ts'

export type JsonRead =
  | { readonly ok: true; readonly value: JsonValue; readonly canonical: string; readonly refusals: JsonRefusal[] }
  | {
      readonly ok: false
      readonly code: 'not-utf8' | 'json-syntax' | 'too-deep'
      /** Bytes before the fault. */
      readonly offset: number
      readonly message: string
    }

export interface JsonReadOptions {
  /** Members of the outermost object that are left out of the canonical text. */
  readonly omit?: ReadonlySet<string>
}

const NONE: ReadonlySet<string> = new Set()

/** Decodes strictly; a byte order mark is kept, and is then no JSON. Undefined where the bytes are not UTF-8. */
function decode(bytes: Uint8Array): string | undefined {
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes)
  } catch (error) {
    if (error instanceof TypeError) return undefined
    throw error
  }
}

/** Bytes of UTF-8 before the first ill-formed sequence, asked only once there is one. */
function wellFormedLength(bytes: Uint8Array): number {
  // A lenient decoder puts U+FFFD for it, so the text encoded again differs from the bytes inside that character first.
  const repaired = new TextEncoder().encode(new TextDecoder('utf-8', { ignoreBOM: true }).decode(bytes))
  let at = 0
  while (at < repaired.length && repaired[at] === bytes[at]) at += 1
  while (((repaired[at] ?? 0) & 0xc0) === 0x80) at -= 1 // Back to the first byte of the character.
  return at
}

/**
 * Reads a JSON body. Not JSON: `ok` false with the place. Otherwise the value, its canonical text and the refusals
 * inside it, a hundred at most; of doubled members the first is kept.
 *
 * Numbers directly under `value`, `set`, `least`, `most`, and those of the members of an object named `byVariant`,
 * become strings of their own digits in value and canonical text. Elsewhere an integer that is safe and written plainly
 * becomes a number, any other a `NumberText`. Members that are null are left out of the canonical text.
 */
export function readJson(bytes: Uint8Array, options: JsonReadOptions = {}): JsonRead {
  const text = decode(bytes)
  if (text === undefined) {
    return { ok: false, code: 'not-utf8', offset: wellFormedLength(bytes), message: notUtf8(bytes) }
  }
  const reader = new JsonReader(text, options.omit ?? NONE)
  try {
    const value = reader.readDocument()
    return { ok: true, value, canonical: reader.canonical, refusals: reader.refusals }
  } catch (fault) {
    if (!(fault instanceof JsonFault)) throw fault
    const offset = new TextEncoder().encode(text.slice(0, fault.at)).length
    return { ok: false, code: fault.code, offset, message: fault.message }
  }
}

/** Bytes that were compressed are told apart, since only their header was forgotten. */
function notUtf8(bytes: Uint8Array): string {
  const isGzip = bytes[0] === 0x1f && bytes[1] === 0x8b
  return isGzip ? 'these are bytes of gzip; say so by Content-Encoding: gzip' : 'the text is not UTF-8'
}
