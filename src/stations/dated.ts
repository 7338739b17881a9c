import { readInstant } from '../exact/time.ts'
import { fieldInvalid } from '../platform/problems.ts'

/** 1900-01-01T00:00:00Z. Nothing we record happened earlier, so an earlier instant is a slip of the pen. */
const EARLIEST = Date.UTC(1900, 0, 1)

/**
 * An instant of the body in milliseconds since the epoch, as its schema let it through.
 * @throws Problem `field-invalid` naming `pointer`
 */
export function readDated(text: string, pointer: string): number {
  const read = readInstant(text)
  if ('refused' in read) throw fieldInvalid(pointer, 'must be an instant with an offset', read.refused)
  if (read.at < EARLIEST) throw fieldInvalid(pointer, 'must not lie before the year 1900')
  return read.at
}

/**
 * Whether a day ends at or before an instant in every time zone of the world; the last zone to end a day is 12 hours
 * behind UTC. A calibration due before it was performed is a slip of the pen, wherever the instrument stands.
 */
export function endsBefore(date: string, at: number): boolean {
  return Date.parse(`${date}T00:00:00Z`) + (24 + 12) * 3_600_000 <= at
}
