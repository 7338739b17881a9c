/**
 * The language of serial patterns: a row of pieces, each one character out of a set, repeated a bounded number of times.
 * It is the part of regular expressions that has no alternation, group, `*`, `+` or dot, and no classes by name, whose
 * meaning differs from one tool to the next. The anchors may be left out: the whole serial must match in any case.
 */

/** The most repetitions of one piece. */
const REPEAT_MAX = 64
/** One piece of a pattern. `allowed` is indexed by ASCII code and holds 1 where the character may stand. */
export interface Piece {
  readonly allowed: Uint8Array
  readonly least: number
  readonly most: number
  /** Where it stands in the pattern. */
  readonly at: number
}

/** Why a pattern was refused, and where in its text: an offset in UTF-16 code units. */
export interface PatternRefusal {
  readonly at: number
  readonly detail: string
}

/** Characters that mean something in a pattern; a backslash before one makes it a literal. */
const META = '.*+?()[]{}|^$\\-/'

/** Reads a pattern into its pieces, or says what in it is not part of the language. */
export function readPattern(text: string): { pieces: Piece[] } | { refused: PatternRefusal } {
  try {
    const reader = new PatternReader(text)
    const pieces: Piece[] = []
    reader.skip('^')
    while (!reader.isAtEnd()) pieces.push(reader.readPiece())
    return { pieces }
  } catch (error) {
    if (error instanceof Refusal) return { refused: { at: error.at, detail: error.message } }
    throw error
  }
}

/** Stops the reading of a pattern; caught in this file only. */
class Refusal extends Error {
  readonly at: number
  constructor(at: number, detail: string) {
    super(detail)
    this.at = at
  }
}

function refuse(at: number, detail: string): never {
  throw new Refusal(at, detail)
}

/** Reads the text of a pattern from left to right. */
class PatternReader {
  readonly #text: string
  offset = 0

  constructor(text: string) {
    this.#text = text
    for (let at = 0; at < text.length; at += 1) {
      const code = text.charCodeAt(at)
      if (code < 0x20 || code > 0x7e) refuse(at, 'holds a character that is not printable ASCII')
    }
  }

  /** At the end of the text, or at the anchor that ends it. */
  isAtEnd(): boolean {
    return (
      this.offset === this.#text.length || (this.#text[this.offset] === '$' && this.offset === this.#text.length - 1)
    )
  }

  skip(character: string): boolean {
    if (this.#text[this.offset] !== character) return false
    this.offset += 1
    return true
  }

  readPiece(): Piece {
    const at = this.offset
    const allowed = this.skip('[') ? this.#readClass() : setOf([this.#readLiteral()])
    const [least, most] = this.#readRepeat()
    return { allowed, least, most, at }
  }

  #readLiteral(): number {
    const at = this.offset
    const character = this.#take()
    if (character === '\\') return this.#readEscaped(at)
    switch (character) {
      case '^':
      case '$':
        return refuse(at, `'${character}' stands only at the ${character === '^' ? 'beginning' : 'end'}`)
      case '.':
        return refuse(at, "'.' would allow anything; name the characters in a class, such as [0-9A-Z]")
      case '*':
      case '+':
        return refuse(at, `'${character}' has no bound; write {n} or {n,m}`)
      case '?':
      case '{':
        return refuse(at, `'${character}' repeats nothing here`)
      case '(':
      case ')':
      case '|':
        return refuse(at, 'groups and alternatives are not part of a serial pattern')
      case ']':
      case '}':
        return refuse(at, `'${character}' closes nothing; write \\${character} for the character itself`)
      default:
        return character.charCodeAt(0)
    }
  }

  #readClass(): Uint8Array {
    const opening = this.offset - 1
    const allowed = new Uint8Array(128)
    if (this.#text[this.offset] === '^') {
      refuse(this.offset, 'a class names the characters that are allowed, not those that are not')
    }
    for (let isFirst = true; !this.skip(']'); isFirst = false) {
      const at = this.offset
      if (at === this.#text.length) refuse(opening, 'the class is not closed')
      const from = this.#readMember(isFirst)
      let to = from
      if (
        this.#text[this.offset] === '-' &&
        this.#text[this.offset + 1] !== ']' &&
        this.offset + 1 < this.#text.length
      ) {
        this.offset += 1
        to = this.#readMember(false)
        if (to < from) refuse(at, 'the range runs backwards')
      }
      for (let code = from; code <= to; code += 1) allowed[code] = 1
    }
    if (!allowed.includes(1)) refuse(opening, 'the class is empty')
    return allowed
  }

  /** One character of a class. A hyphen stands for itself where it is first or last. */
  #readMember(isFirst: boolean): number {
    const at = this.offset
    const character = this.#take()
    if (character === '\\') return this.#readEscaped(at)
    if (character === '[') refuse(at, "write \\[ for the character '['")
    if (character === '-' && !isFirst && this.#text[this.offset] !== ']') {
      refuse(at, "a hyphen is first or last in a class, or written '\\-'")
    }
    return character.charCodeAt(0)
  }

  #readEscaped(at: number): number {
    const character = this.#take()
    if (META.includes(character) && character !== '') return character.charCodeAt(0)
    return refuse(at, `'\\${character}' is not understood; write characters and classes out, such as [0-9]`)
  }

  #readRepeat(): [least: number, most: number] {
    const at = this.offset
    if (this.skip('?')) {
      this.#refuseSecondRepeat()
      return [0, 1]
    }
    if (!this.skip('{')) return [1, 1]
    const closing = this.#text.indexOf('}', at)
    const inner = /^(\d{1,3})(?:,(\d{1,3}))?$/.exec(closing < 0 ? '' : this.#text.slice(this.offset, closing))
    if (!inner) return refuse(at, 'a repetition is {n} or {n,m}')
    this.offset = closing + 1
    this.#refuseSecondRepeat()
    const least = Number(inner[1])
    const most = inner[2] === undefined ? least : Number(inner[2])
    if (most > REPEAT_MAX) refuse(at, `repeats more than ${REPEAT_MAX} times`)
    if (least > most) refuse(at, 'the repetition runs backwards')
    if (most === 0) refuse(at, 'repeats no times')
    return [least, most]
  }

  #refuseSecondRepeat(): void {
    const character = this.#text[this.offset]
    if (character !== undefined && '?*+{'.includes(character)) refuse(this.offset, 'a repetition cannot be repeated')
  }

  #take(): string {
    const character = this.#text.charAt(this.offset)
    if (character === '') refuse(this.offset, 'ends too early')
    this.offset += 1
    return character
  }
}

function setOf(codes: readonly number[]): Uint8Array {
  const set = new Uint8Array(128)
  for (const code of codes) set[code] = 1
  return set
}
