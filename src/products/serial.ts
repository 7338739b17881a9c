import { z } from 'zod'
import { TextWire } from '../exact/text.ts'
import { type PatternRefusal, type Piece, readPattern } from './serial-pattern.ts'

/**
 * Serial numbers as the product's rule reads them. The matcher never goes back over the text, so that neither a pattern
 * (serial-pattern.ts) nor a serial can hang the service.
 */

/** What becomes of ASCII letters before the pattern is asked: put in upper or lower case, or left as they came. */
export const letterRules = ['upper', 'lower', 'any'] as const

export const SerialRuleWire = z.strictObject({
  pattern: TextWire(200).describe(
    'A row of characters, and sets like `[0-9]`, each with `{n}` or `{n,m}`: the part of regular expressions without groups, `*` and `+`',
  ),
  letters: z.enum(letterRules).describe('What ASCII letters become before the pattern is asked'),
  trim: z.boolean().describe('Whether spaces and control characters at both ends are cut off; scanners append some'),
})
export type SerialRule = z.infer<typeof SerialRuleWire>

/** The longest serial a rule may allow, in characters; with it an index row stays far below its bound. */
export const SERIAL_LENGTH_MAX = 128
/** The longest text that is looked at as a serial, before trimming. */
export const RAW_LENGTH_MAX = 256

export interface CompiledSerialRule {
  readonly rule: SerialRule
  readonly pieces: readonly Piece[]
  /** Every character that may stand anywhere in a serial of the product, by ASCII code. */
  readonly alphabet: Uint8Array
  readonly lengthLeast: number
  readonly lengthMost: number
}

/** Compiles the rule of a product, or says why its pattern cannot be used. */
export function readSerialRule(rule: SerialRule): { compiled: CompiledSerialRule } | { refusals: PatternRefusal[] } {
  const read = readPattern(rule.pattern)
  if ('refused' in read) return { refusals: [read.refused] }
  const alphabet = new Uint8Array(128)
  let lengthLeast = 0
  let lengthMost = 0
  for (const { allowed, least, most, at } of read.pieces) {
    removeOtherCase(allowed, rule.letters)
    if (!allowed.includes(1)) {
      return { refusals: [{ at, detail: `never matches, since letters are put in ${rule.letters} case first` }] }
    }
    allowed.forEach((isAllowed, code) => {
      if (isAllowed) alphabet[code] = 1
    })
    lengthLeast += least
    lengthMost += most
  }
  if (lengthLeast === 0) return { refusals: [{ at: 0, detail: 'must not match an empty serial' }] }
  if (lengthMost > SERIAL_LENGTH_MAX) {
    return {
      refusals: [{ at: 0, detail: `allows serials of ${lengthMost} characters; the most is ${SERIAL_LENGTH_MAX}` }],
    }
  }
  return { compiled: { rule, pieces: read.pieces, alphabet, lengthLeast, lengthMost } }
}

/**
 * Brings a serial as received into the one form under which its unit is known, or refuses it. The whole of it must
 * match; a serial is never padded, stripped or read as a number. `detail` is a sentence for the technician.
 */
export function normaliseSerial(
  compiled: CompiledSerialRule,
  raw: string,
): { serial: string } | { refused: 'serial-not-allowed'; detail: string } {
  if (raw.length > RAW_LENGTH_MAX) return notAllowed(`The serial is longer than ${RAW_LENGTH_MAX} characters.`)
  const { rule } = compiled
  const trimmed = rule.trim ? trimAscii(raw) : raw
  for (let index = 0; index < trimmed.length; index += 1) {
    const code = trimmed.codePointAt(index) ?? 0
    // Also what looks like a letter of the alphabet and is none; upper-casing below is then a matter of ASCII alone.
    if (code < 0x20 || code > 0x7e) {
      return notAllowed(`Character ${index + 1} of the serial (${codePointName(code)}) is not printable ASCII.`)
    }
  }
  const serial =
    rule.letters === 'upper' ? trimmed.toUpperCase() : rule.letters === 'lower' ? trimmed.toLowerCase() : trimmed
  for (let index = 0; index < serial.length; index += 1) {
    if (!compiled.alphabet[serial.charCodeAt(index)]) {
      return notAllowed(
        `Character ${index + 1} of the serial ('${serial.charAt(index)}') stands in no serial of this product.`,
      )
    }
  }
  if (serial.length < compiled.lengthLeast || serial.length > compiled.lengthMost) {
    const { lengthLeast, lengthMost } = compiled
    const expected = lengthLeast === lengthMost ? `${lengthLeast}` : `${lengthLeast} to ${lengthMost}`
    return notAllowed(`The serial has ${serial.length} characters; those of this product have ${expected}.`)
  }
  if (!matchesWholly(compiled.pieces, serial))
    return notAllowed(`The serial does not match the pattern ${rule.pattern}.`)
  return { serial }
}

/**
 * Whether the pieces, in order, make up the whole of `serial`. Keeps the set of positions that the pieces so far can
 * end at, so the work is pieces times length whatever the pattern: nothing is tried and taken back.
 */
function matchesWholly(pieces: readonly Piece[], serial: string): boolean {
  const { length } = serial
  let ends = new Uint8Array(length + 1)
  ends[0] = 1
  for (const { allowed, least, most } of pieces) {
    const next = new Uint8Array(length + 1)
    let runStart = 0 // Where the stretch of allowed characters that ends at `end` begins.
    let latest = -1 // The last position at or before `end - least` at which the pieces before can end.
    for (let end = 0; end <= length; end += 1) {
      if (end > 0 && !allowed[serial.charCodeAt(end - 1)]) runStart = end
      const start = end - least
      if (start >= 0 && ends[start]) latest = start
      if (latest >= runStart && latest >= end - most) next[end] = 1
    }
    ends = next
  }
  return ends[length] === 1
}

/** Takes out the letters that cannot occur once letters are put in one case. */
function removeOtherCase(allowed: Uint8Array, letters: SerialRule['letters']): void {
  if (letters === 'upper') allowed.fill(0, 'a'.charCodeAt(0), 'z'.charCodeAt(0) + 1)
  if (letters === 'lower') allowed.fill(0, 'A'.charCodeAt(0), 'Z'.charCodeAt(0) + 1)
}

/** Without spaces and control characters of ASCII at both ends; other blanks are not ours to drop. */
function trimAscii(text: string): string {
  let from = 0
  let to = text.length
  while (from < to && isBlank(text.charCodeAt(from))) from += 1
  while (to > from && isBlank(text.charCodeAt(to - 1))) to -= 1
  return text.slice(from, to)
}

function isBlank(code: number): boolean {
  return code <= 0x20 || code === 0x7f
}

function codePointName(code: number): string {
  return `U+${code.toString(16).toUpperCase().padStart(4, '0')}`
}

function notAllowed(detail: string): { refused: 'serial-not-allowed'; detail: string } {
  return { refused: 'serial-not-allowed', detail }
}
