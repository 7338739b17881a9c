import { z } from 'zod'
import { readInstant, writeInstant } from '../../exact/time.ts'
import { readJsonFile } from '../demo/seed.ts'

/** The upload of one EX36-3M as the wire contract shows it, but of a unit that was never tested before. */
export async function readContractUpload(): Promise<Wire> {
  const { attemptCause: _cause, attemptOf: _first, ...wire } = WireText.parse(await readJsonFile('upload-ex36-3m'))
  return wire
}

const WireText = z.record(z.string(), z.unknown())
export type Wire = Readonly<z.infer<typeof WireText>>

/** Uploads are numbered with seven digits from here on, so that every body has one length. */
export const FIRST_NUMBER = 1_000_000
const INSTANTS: ReadonlySet<string> = new Set(['sentAt', 'startedAt', 'endedAt', 'takenAt'])
const NUMBER_MARK = '1999999'
const UNIT_MARK = '@UNIT@'
const MARKS = new RegExp(`${NUMBER_MARK}|${UNIT_MARK}`)
/** How long the instants of one rendering are used; the clock of a station may be slow by 120 s. */
const RENDER_EVERY_MS = 1_000

/**
 * Makes bodies of uploads, each of a new unit under a new key, all of one length in bytes. Their instants are moved as a
 * whole, so that each was sent just now.
 */
export class Payload {
  readonly #wire: Wire
  #parts: readonly string[] = []
  #renderedAt = Number.NEGATIVE_INFINITY

  constructor(wire: Wire) {
    const numbered = { uploadKey: `LDS-F2:${NUMBER_MARK}`, sequenceNumber: Number(NUMBER_MARK) }
    this.#wire = { ...wire, ...numbered, serial: `EX36-26-${UNIT_MARK}` }
  }

  /** @param number of seven digits  @param now milliseconds since the epoch */
  text(number: number, now: number): string {
    if (now - this.#renderedAt >= RENDER_EVERY_MS) {
      this.#parts = JSON.stringify(moved(this.#wire, now)).split(MARKS)
      this.#renderedAt = now
    }
    const [beforeKey, beforeSequence, beforeUnit, rest] = this.#parts
    const digits = String(number)
    if (beforeUnit === undefined || digits.length !== 7) throw new RangeError(`no upload has the number ${number}`)
    return `${beforeKey}${digits}${beforeSequence}${digits}${beforeUnit}${digits.slice(1)}${rest}`
  }
}

/** A copy whose instants all lie as much later as puts its sending at `now`. */
function moved(wire: Wire, now: number): unknown {
  const shiftMs = now - instantOf(wire['sentAt'])
  const move = (value: unknown, member: string): unknown => {
    if (INSTANTS.has(member)) return writeInstant(instantOf(value) + shiftMs)
    if (Array.isArray(value)) return value.map((inner) => move(inner, ''))
    if (typeof value !== 'object' || value === null) return value
    return Object.fromEntries(Object.entries(value).map(([name, inner]) => [name, move(inner, name)]))
  }
  return move(wire, '')
}

function instantOf(text: unknown): number {
  const read = readInstant(text)
  if (!('at' in read)) throw new Error(`${String(text)} is no instant`)
  return read.at
}
