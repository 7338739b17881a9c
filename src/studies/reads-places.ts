import { z } from 'zod'
import { PlaceNumber } from '../platform/http/conventions.ts'
import type { FindingRow } from './record.ts'

/** Where a list of findings goes on: the share as the database writes it, and the number in the study. */
export const FindingPlaceWire = z.tuple([z.string().regex(/^-?[0-9]{1,40}(\.[0-9]{1,80})?$/), PlaceNumber])

export function findingPlace({ beyond, finding }: FindingRow): z.infer<typeof FindingPlaceWire> {
  return [beyond, finding.ordinal]
}
