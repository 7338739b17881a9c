import { randomUUID } from 'node:crypto'

/** The one source of ids. Rows are named by UUIDv7 (RFC 9562 section 5.7), which carry the millisecond they were minted for. */
export interface Ids {
  /**
   * A new id for the millisecond `at` (since the epoch). Those that one process mints for one millisecond, one after the
   * other, ascend. Throws RangeError where 48 bits do not hold the millisecond.
   */
  mint(at: number): string
}

const INSTANT_MAX = 2 ** 48 - 1

/** Where the count within a millisecond begins: below half of its 12 bits, so that there is room to count. */
const COUNT_MASK = 0x7ff
const COUNT_MAX = 0xfff

/**
 * Ids whose random bits come from `randomUuid`, a source of version 4 UUIDs: 12 bits, variant and 62 bits stand there
 * exactly where version 7 wants them, so only the first half is written anew. Tests inject a repeatable source.
 */
export function idsFrom(randomUuid: () => string = randomUUID): Ids {
  let last = { at: -1, count: 0 }
  return {
    mint(at) {
      if (!Number.isSafeInteger(at) || at < 0 || at > INSTANT_MAX)
        throw new RangeError(`no id can carry the instant ${at}`)
      const random = randomUuid()
      // RFC 9562 section 6.2, method 1: twelve bits count within the millisecond, from a random beginning.
      const begun = Number.parseInt(random.slice(15, 18), 16) & COUNT_MASK
      last = { at, count: last.at === at && last.count < COUNT_MAX ? last.count + 1 : begun }
      const time = at.toString(16).padStart(12, '0')
      const count = last.count.toString(16).padStart(3, '0')
      return `${time.slice(0, 8)}-${time.slice(8)}-7${count}${random.slice(18)}`
    },
  }
}

const VERSION_7 = /^([0-9a-f]{8})-([0-9a-f]{4})-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/

/** The millisecond an id was minted for; undefined where the text is not one of our ids (lower case UUIDv7). */
export function idInstant(id: string): number | undefined {
  const parts = VERSION_7.exec(id)
  return parts ? Number.parseInt(`${parts[1]}${parts[2]}`, 16) : undefined
}
