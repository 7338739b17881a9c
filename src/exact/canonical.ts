import { hash } from 'node:crypto'
import { z } from 'zod'
import { canonicalNumber, NumberText } from './json.ts'

/** A digest on the wire, as `digestOf` gives it. */
export const DigestWire = z
  .string()
  .regex(/^sha256:[0-9a-f]{64}$/, 'a digest is sha256: and 64 hexadecimal digits in lower case')

/** The canonical text of a part, worked out before: it stands in the whole as it is. */
export class CanonicalPart {
  readonly text: string

  constructor(text: string) {
    this.text = text
  }
}

/**
 * The canonical text of a plain value: RFC 8785 with members that are null or undefined left out, as `readJson` writes
 * it. Takes strings, safe integers, booleans, null, arrays and plain objects; a TypeError for anything else is a bug of
 * the caller: a number that is no safe integer belongs into a string of its digits.
 */
export function canonicalText(value: unknown): string {
  if (value === null) return 'null'
  if (typeof value === 'string') return JSON.stringify(value)
  if (typeof value === 'boolean') return value ? 'true' : 'false'
  if (typeof value === 'number') {
    if (!Number.isSafeInteger(value)) throw new TypeError(`${value} is not a safe integer; write it as text`)
    return String(value)
  }
  if (typeof value !== 'object') throw new TypeError(`a ${typeof value} has no canonical text`)
  if (Array.isArray(value)) return `[${value.map(canonicalText).join(',')}]`
  if (value instanceof CanonicalPart) return value.text
  if (value instanceof NumberText) return canonicalNumber(value.text)
  const prototype = Object.getPrototypeOf(value)
  if (prototype !== Object.prototype && prototype !== null)
    throw new TypeError('only plain objects have canonical text')
  const members: [string, unknown][] = Object.entries(value).filter(
    ([, member]) => member !== undefined && member !== null,
  )
  members.sort(([a], [b]) => (a < b ? -1 : 1)) // Strings compare by UTF-16 code units, as RFC 8785 asks.
  return `{${members.map(([name, member]) => `${JSON.stringify(name)}:${canonicalText(member)}`).join(',')}}`
}

/** The digest of canonical text: `sha256:` and 64 hexadecimal digits, over its UTF-8 bytes. */
export function digestOf(canonical: string): string {
  return `sha256:${hash('sha256', canonical)}`
}
