import { createHash, type Hash } from 'node:crypto'

/**
 * Splits a stream of bytes into uploads without ever holding more than one of them: lines of NDJSON, or the elements of
 * one JSON array. What is inside an upload is not looked at; `readUpload` does that.
 */

/** One upload of the stream, in the order of the stream, counted from 1. */
export type Piece =
  | { readonly kind: 'upload'; readonly line: number; readonly bytes: Buffer }
  /** Longer than an upload may be: its first bytes, its length, and the hash of all of it. */
  | {
      readonly kind: 'too-long'
      readonly line: number
      readonly head: Buffer
      readonly length: number
      readonly digest: string
    }

/** Why the stream cannot be read on. What came before counts. */
export type SplitFault = 'not-an-array' | 'array-broken' | 'stream-padded'

export interface Splitter {
  /** The pieces that end within these bytes. After a fault nothing is read any more. */
  feed(chunk: Buffer): Iterable<Piece>
  /** The piece that the end of the stream ends, where the stream ended as it should. */
  end(): Iterable<Piece>
  readonly fault: SplitFault | undefined
}

export interface SplitLimits {
  /** Longest upload, in bytes. */
  readonly pieceMax: number
  /** Bytes kept of one that is longer. */
  readonly headMax: number
  /** Bytes that may be passed over, in blanks and in the rest of one piece that is too long: against inflated padding. */
  readonly paddingMax: number
}

export const splitLimits: SplitLimits = { pieceMax: 1_048_576, headMax: 65_536, paddingMax: 67_108_864 }

const NEWLINE = 10
const QUOTE = 34
const COMMA = 44
const OPEN_BRACKET = 91
const BACKSLASH = 92
const CLOSE_BRACKET = 93
const OPEN_BRACE = 123
const CLOSE_BRACE = 125

function isBlank(byte: number): boolean {
  return byte === 32 || byte === 9 || byte === 10 || byte === 13
}

/** Gathers the bytes of one piece, and no more of them than a piece may have. */
class Gatherer {
  private readonly limits: SplitLimits
  private parts: Buffer[] = []
  private hash: Hash | undefined
  private line = 0
  length = 0

  constructor(limits: SplitLimits) {
    this.limits = limits
  }

  add(bytes: Buffer): void {
    if (bytes.length === 0) return
    this.length += bytes.length
    if (this.hash !== undefined) {
      this.hash.update(bytes)
    } else if (this.length <= this.limits.pieceMax) {
      this.parts.push(bytes)
    } else {
      const held = Buffer.concat([...this.parts, bytes])
      this.hash = createHash('sha256').update(held)
      this.parts = [Buffer.from(held.subarray(0, this.limits.headMax))]
    }
  }

  /** Bytes beyond the longest piece that were passed over. */
  get excess(): number {
    return Math.max(0, this.length - this.limits.pieceMax)
  }

  take(): Piece {
    this.line += 1
    const bytes = this.parts.length === 1 && this.parts[0] !== undefined ? this.parts[0] : Buffer.concat(this.parts)
    const piece: Piece =
      this.hash === undefined
        ? { kind: 'upload', line: this.line, bytes }
        : {
            kind: 'too-long',
            line: this.line,
            head: bytes,
            length: this.length,
            digest: `sha256:${this.hash.digest('hex')}`,
          }
    this.parts = []
    this.hash = undefined
    this.length = 0
    return piece
  }
}

/** Lines of NDJSON; empty ones and those of blanks alone are no uploads, and are not counted. */
export function splitLines(limits: SplitLimits = splitLimits): Splitter {
  const gatherer = new Gatherer(limits)
  let padding = 0
  let isEmpty = true
  let fault: SplitFault | undefined
  const addPart = (part: Buffer) => {
    if (isEmpty) {
      let start = 0
      while (start < part.length && isBlank(part[start] ?? 0)) start += 1
      padding += start
      if (start === part.length) return
      isEmpty = false
      gatherer.add(part.subarray(start))
    } else {
      gatherer.add(part)
    }
  }
  return {
    get fault() {
      return fault
    },
    *feed(chunk) {
      let from = 0
      while (fault === undefined && from < chunk.length) {
        // Whole empty lines, without a search for the end of each: a stream may hold nothing else.
        while (isEmpty && chunk[from] === NEWLINE) {
          padding += 1
          from += 1
        }
        const newline = chunk.indexOf(NEWLINE, from)
        addPart(chunk.subarray(from, newline < 0 ? chunk.length : newline))
        if (padding > limits.paddingMax || gatherer.excess > limits.paddingMax) fault = 'stream-padded'
        if (newline < 0 || fault !== undefined) return
        padding += 1
        if (!isEmpty) yield gatherer.take()
        isEmpty = true
        from = newline + 1
      }
    },
    *end() {
      if (fault === undefined && !isEmpty) yield gatherer.take()
      isEmpty = true
    },
  }
}

/** The elements of one JSON array. Only brackets, strings and commas are followed. */
export function splitArray(limits: SplitLimits = splitLimits): Splitter {
  const gatherer = new Gatherer(limits)
  let state: 'before' | 'element-or-end' | 'element' | 'comma-or-end' | 'after' = 'before'
  let depth = 0
  let inString = false
  let isEscaped = false
  let padding = 0
  let fault: SplitFault | undefined

  /** Follows one byte of an element; true where the element ends before it. */
  const endsBefore = (byte: number): boolean => {
    if (inString) {
      if (isEscaped) isEscaped = false
      else if (byte === BACKSLASH) isEscaped = true
      else if (byte === QUOTE) inString = false
      return false
    }
    if (byte === QUOTE) inString = true
    else if (byte === OPEN_BRACE || byte === OPEN_BRACKET) depth += 1
    else if (byte === CLOSE_BRACE || byte === CLOSE_BRACKET) {
      if (depth === 0) return true
      depth -= 1
    } else if (byte === COMMA && depth === 0) return true
    return false
  }

  /** Follows one byte between elements. */
  const passBetween = (byte: number): boolean => {
    if (isBlank(byte)) {
      padding += 1
      return false
    }
    switch (state) {
      case 'before':
        if (byte === OPEN_BRACKET) state = 'element-or-end'
        else fault = 'not-an-array'
        return false
      case 'element-or-end':
        if (byte === CLOSE_BRACKET) {
          state = 'after'
          return false
        }
        state = 'element'
        return true
      case 'comma-or-end':
        if (byte === COMMA) state = 'element'
        else if (byte === CLOSE_BRACKET) state = 'after'
        else fault = 'array-broken'
        return false
      case 'after':
        fault = 'array-broken'
        return false
      case 'element':
        return true
    }
  }

  return {
    get fault() {
      return fault
    },
    *feed(chunk) {
      let start = -1
      let at = 0
      while (fault === undefined && at < chunk.length) {
        const byte = chunk[at] ?? 0
        if (start < 0 && gatherer.length === 0) {
          if (!passBetween(byte)) {
            if (padding > limits.paddingMax) fault = 'stream-padded'
            at += 1
            continue
          }
        }
        if (start < 0) start = at
        if (!endsBefore(byte)) {
          at += 1
          continue
        }
        if (at === start && gatherer.length === 0) {
          fault = 'array-broken'
          return
        }
        gatherer.add(chunk.subarray(start, at))
        if (gatherer.excess > limits.paddingMax) {
          fault = 'stream-padded'
          return
        }
        start = -1
        state = byte === COMMA ? 'element' : byte === CLOSE_BRACKET ? 'after' : 'comma-or-end'
        if (byte === CLOSE_BRACE) fault = 'array-broken'
        yield gatherer.take()
        at += 1
      }
      if (start >= 0) {
        gatherer.add(chunk.subarray(start))
        if (gatherer.excess > limits.paddingMax) fault = 'stream-padded'
      }
    },
    // biome-ignore lint/correctness/useYield: an array whose bracket is not closed has no last element to give.
    *end() {
      if (fault === undefined && state !== 'after') fault = state === 'before' ? 'not-an-array' : 'array-broken'
    },
  }
}
