import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { PlaceInstant } from '../platform/http/conventions.ts'

/** Where a list by instant goes on: the instant in milliseconds, and the key. */
export const DatedPlaceWire = z.tuple([PlaceInstant, KeyWire])

/** The place of an item, from the instant that it is answered with. */
export function datedPlace(at: string, key: string): z.infer<typeof DatedPlaceWire> {
  return [Date.parse(at), key]
}
