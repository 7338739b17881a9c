/**
 * The reading of decoded JSON text, character by character; `json.ts` is the door.
 *
 * One method per production of RFC 8259. Each leaves the canonical text (RFC 8785) of what it read in `canonical`, so
 * that an object sorts the finished texts of its members and nothing is walked twice.
 */

/** A JSON number that is no safe integer in plain form; its digits are kept as written. */
export class NumberText {
  readonly text: string

  constructor(text: string) {
    this.text = text
  }
}

export type JsonValue = null | boolean | number | string | NumberText | JsonValue[] | { [member: string]: JsonValue }

/** A fault of one place in a body that is JSON all the same. */
export interface JsonRefusal {
  readonly code: 'duplicate-member' | 'text-invalid' | 'number-too-long'
  /** RFC 6901. Characters that cannot be stored are shown as U+FFFD; cut with an ellipsis where it is very long. */
  readonly pointer: string
}

/** Containers inside each other. A plan has seven; a stranger's ten thousand must not reach the stack's end. */
const DEPTH_MAX = 32
const DIGITS_MAX = 30
const NUMBER_LENGTH_MAX = 72
const REFUSALS_MAX = 100
const POINTER_LENGTH_MAX = 300
/** Longer lists of members are sorted by the engine: insertion is faster on short ones and quadratic on long ones. */
const INSERTION_MAX = 24

/** Thrown by `JsonReader` and caught by `readJson`, nowhere else: the quickest way out of nested reading. */
export class JsonFault extends Error {
  readonly code: 'json-syntax' | 'too-deep'
  readonly at: number

  constructor(code: 'json-syntax' | 'too-deep', at: number, message: string) {
    super(message)
    this.code = code
    this.at = at
  }
}

/**
 * The number of RFC 8785 (section 3.2.2.3, as ECMAScript writes a double); digits beyond any double stay as written.
 * INVARIANT: nothing is decided by it. Numbers that mean something are strings or safe integers by then.
 */
export function canonicalNumber(text: string): string {
  const double = Number(text)
  return Number.isFinite(double) ? String(double) : text
}

function isTooLong(number: string): boolean {
  if (number.length <= DIGITS_MAX) return false
  if (number.length > NUMBER_LENGTH_MAX) return true
  const mantissa = number
    .replace(/[eE].*$/, '')
    .replace(/[-.]/g, '')
    .replace(/^0+/, '')
  return mantissa.length > DIGITS_MAX
}

/** Members whose numbers are quantities: they become text of their own digits, so that 1.50 and "1.50" are the same. */
function isQuantityMember(name: string): boolean {
  return name === 'value' || name === 'set' || name === 'least' || name === 'most'
}

/** Reads one text, once. */
export class JsonReader {
  private readonly text: string
  private readonly omit: ReadonlySet<string>
  private at = 0
  private depth = 0
  /** Whether the string read last holds NUL or half a surrogate pair; only an escape can bring one in. */
  private stringUnstorable = false
  /** Canonical text of the value or string read last. */
  canonical = ''
  private readonly path: (string | number)[] = []
  readonly refusals: JsonRefusal[] = []

  constructor(text: string, omit: ReadonlySet<string>) {
    this.text = text
    this.omit = omit
  }

  readDocument(): JsonValue {
    const value = this.readValue('', false)
    this.skipBlanks()
    if (this.at < this.text.length) throw this.fault('nothing may follow the value')
    return value
  }

  private fault(message: string): JsonFault {
    return new JsonFault('json-syntax', this.at, this.at >= this.text.length ? 'the text ends too early' : message)
  }

  private refuse(code: JsonRefusal['code']): void {
    if (this.refusals.length >= REFUSALS_MAX) return
    let pointer = ''
    for (let index = 0; index < this.depth && pointer.length <= POINTER_LENGTH_MAX; index += 1) {
      const token = String(this.path[index] ?? '').slice(0, POINTER_LENGTH_MAX)
      pointer += `/${token
        .replace(/~/g, '~0')
        .replace(/\//g, '~1')
        .replace(/[\0\p{Cs}]/gu, '\ufffd')}`
    }
    if (pointer.length > POINTER_LENGTH_MAX) pointer = `${pointer.slice(0, POINTER_LENGTH_MAX)}\u2026`
    this.refusals.push({ code, pointer })
  }

  private skipBlanks(): void {
    let code = this.text.charCodeAt(this.at)
    while (code === 32 || code === 10 || code === 13 || code === 9) {
      this.at += 1
      code = this.text.charCodeAt(this.at)
    }
  }

  /** Reads a value; `name` is the member it stands under, empty in an array, `byVariant` whether its object is so named. */
  private readValue(name: string, byVariant: boolean): JsonValue {
    this.skipBlanks()
    const code = this.text.charCodeAt(this.at)
    if (code === 34) {
      const value = this.readString()
      if (this.stringUnstorable) this.refuse('text-invalid')
      return value
    }
    if (code === 123) return this.readObject(name === 'byVariant')
    if (code === 91) return this.readArray()
    if (code === 45 || (code >= 48 && code <= 57)) return this.readNumber(byVariant || isQuantityMember(name))
    if (code === 116) return this.readWord('true', true)
    if (code === 102) return this.readWord('false', false)
    if (code === 110) return this.readWord('null', null)
    throw this.fault(
      code === 0xfeff ? 'a value was expected, and there is a byte-order mark; leave it out' : 'a value was expected',
    )
  }

  private readWord<T extends boolean | null>(word: string, value: T): T {
    if (!this.text.startsWith(word, this.at)) throw this.fault('a value was expected')
    this.at += word.length
    this.canonical = word
    return value
  }

  private enter(): void {
    if (this.depth === DEPTH_MAX) throw new JsonFault('too-deep', this.at, `nested deeper than ${DEPTH_MAX}`)
    this.depth += 1
    this.at += 1
  }

  private leave(): void {
    this.depth -= 1
    this.at += 1
  }

  private readArray(): JsonValue[] {
    this.enter()
    const level = this.depth - 1
    const items: JsonValue[] = []
    let canonical = '['
    this.skipBlanks()
    if (this.text.charCodeAt(this.at) !== 93) {
      for (;;) {
        this.path[level] = items.length
        items.push(this.readValue('', false))
        canonical += items.length === 1 ? this.canonical : `,${this.canonical}`
        this.skipBlanks()
        const code = this.text.charCodeAt(this.at)
        if (code === 93) break
        if (code !== 44) throw this.fault('a comma or the end of the array was expected')
        this.at += 1
      }
    }
    this.leave()
    this.canonical = `${canonical}]`
    return items
  }

  private readObject(byVariant: boolean): { [member: string]: JsonValue } {
    this.enter()
    const level = this.depth - 1
    const members: { [member: string]: JsonValue } = {}
    const names: string[] = []
    const texts: string[] = []
    this.skipBlanks()
    if (this.text.charCodeAt(this.at) !== 125) {
      for (;;) {
        this.skipBlanks()
        if (this.text.charCodeAt(this.at) !== 34) throw this.fault('a member name in double quotes was expected')
        const name = this.readString()
        const nameCanonical = this.canonical
        this.path[level] = name
        if (this.stringUnstorable) this.refuse('text-invalid')
        this.skipBlanks()
        if (this.text.charCodeAt(this.at) !== 58) throw this.fault('a colon was expected')
        this.at += 1
        const doubled = Object.hasOwn(members, name)
        if (doubled) this.refuse('duplicate-member')
        const value = this.readValue(name, byVariant)
        if (!doubled) {
          setMember(members, name, value)
          if (value !== null && !(level === 0 && this.omit.has(name))) {
            names.push(name)
            texts.push(`${nameCanonical}:${this.canonical}`)
          }
        }
        this.skipBlanks()
        const code = this.text.charCodeAt(this.at)
        if (code === 125) break
        if (code !== 44) throw this.fault('a comma or the end of the object was expected')
        this.at += 1
      }
    }
    this.leave()
    this.canonical = joinSorted(names, texts)
    return members
  }

  private readNumber(asText: boolean): JsonValue {
    const { text } = this
    const start = this.at
    let at = start
    let code = text.charCodeAt(at)
    const negative = code === 45
    if (negative) code = text.charCodeAt(++at)
    const first = at
    let whole = 0 // Exact up to fifteen digits, and used only then.
    while (code >= 48 && code <= 57) {
      whole = whole * 10 + (code - 48)
      code = text.charCodeAt(++at)
    }
    const digits = at - first
    let plain = true
    this.at = at
    if (digits === 0) throw this.fault('a digit was expected')
    if (digits > 1 && text.charCodeAt(first) === 48) throw this.fault('a number may not begin with 0')
    if (code === 46) {
      plain = false
      at = this.skipDigits(at + 1)
      code = text.charCodeAt(at)
    }
    if ((code | 32) === 101) {
      plain = false
      const sign = text.charCodeAt(at + 1)
      at = this.skipDigits(sign === 43 || sign === 45 ? at + 2 : at + 1)
    }
    this.at = at
    if (!asText && plain && digits <= 15 && !(negative && whole === 0)) {
      const value = negative ? -whole : whole
      this.canonical = String(value)
      return value
    }
    const written = text.slice(start, at)
    if (isTooLong(written)) this.refuse('number-too-long')
    if (asText) {
      this.canonical = `"${written}"`
      return written
    }
    this.canonical = canonicalNumber(written)
    const value = Number(written)
    return plain && Number.isSafeInteger(value) && String(value) === written ? value : new NumberText(written)
  }

  private skipDigits(from: number): number {
    let at = from
    let code = this.text.charCodeAt(at)
    while (code >= 48 && code <= 57) code = this.text.charCodeAt(++at)
    this.at = at
    if (at === from) throw this.fault('a digit was expected')
    return at
  }

  private readString(): string {
    const { text } = this
    const start = this.at + 1
    let at = start
    for (;;) {
      const code = text.charCodeAt(at)
      if (code === 34) break
      if (code === 92) return this.readEscaped(start, at)
      if (!(code >= 32)) {
        this.at = at
        throw this.fault('control characters must be escaped')
      }
      at += 1
    }
    this.stringUnstorable = false
    this.at = at + 1
    this.canonical = text.slice(start - 1, at + 1)
    return text.slice(start, at)
  }

  /** Reads on from the first backslash. */
  private readEscaped(start: number, firstEscape: number): string {
    const { text } = this
    let value = ''
    let from = start
    let at = firstEscape
    for (;;) {
      const code = text.charCodeAt(at)
      if (code === 34) break
      if (code === 92) {
        value += text.slice(from, at)
        this.at = at
        value += this.readEscape()
        at = this.at
        from = at
        continue
      }
      if (!(code >= 32)) {
        this.at = at
        throw this.fault('control characters must be escaped')
      }
      at += 1
    }
    value += text.slice(from, at)
    this.at = at + 1
    this.stringUnstorable = /[\0\p{Cs}]/u.test(value)
    this.canonical = JSON.stringify(value) // Escapes exactly what RFC 8785 section 3.2.2.2 says.
    return value
  }

  private readEscape(): string {
    const letter = this.text.charAt(this.at + 1)
    if (letter === 'u') {
      const digits = this.text.slice(this.at + 2, this.at + 6)
      if (!/^[0-9A-Fa-f]{4}$/.test(digits)) throw this.fault('four hexadecimal digits were expected after \\u')
      this.at += 6
      return String.fromCharCode(Number.parseInt(digits, 16))
    }
    const meant = ESCAPES.get(letter)
    if (meant === undefined) throw this.fault('no such escape')
    this.at += 2
    return meant
  }
}

const ESCAPES: ReadonlyMap<string, string> = new Map([
  ['"', '"'],
  ['\\', '\\'],
  ['/', '/'],
  ['b', '\b'],
  ['f', '\f'],
  ['n', '\n'],
  ['r', '\r'],
  ['t', '\t'],
])

/** Sets an own member whatever its name: plain assignment to `__proto__` would change the object instead. */
function setMember(members: { [member: string]: JsonValue }, name: string, value: JsonValue): void {
  if (name === '__proto__') {
    Object.defineProperty(members, name, { value, enumerable: true, configurable: true, writable: true })
  } else {
    members[name] = value
  }
}

/** The canonical object: members in the order of their names by UTF-16 code units, which is how strings compare. */
function joinSorted(names: string[], texts: string[]): string {
  const count = names.length
  if (count > INSERTION_MAX) {
    const order = names.map((name, index) => ({ name, index })).sort((a, b) => (a.name < b.name ? -1 : 1))
    return `{${order.map(({ index }) => texts[index]).join(',')}}`
  }
  for (let next = 1; next < count; next += 1) {
    const name = names[next] as string
    const text = texts[next] as string
    let hole = next
    while (hole > 0 && (names[hole - 1] as string) > name) {
      names[hole] = names[hole - 1] as string
      texts[hole] = texts[hole - 1] as string
      hole -= 1
    }
    names[hole] = name
    texts[hole] = text
  }
  let joined = '{'
  for (let index = 0; index < count; index += 1) joined += index === 0 ? texts[index] : `,${texts[index]}`
  return `${joined}}`
}
