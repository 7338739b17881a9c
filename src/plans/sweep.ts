import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire, writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import type { EditionKey } from '../rules/record.ts'

/**
 * How far the check of live revisions against a published edition is: in review, or approved and not ended. Nothing waits
 * for its end, since a revision that is used before is checked first.
 */
export const SweepWire = z
  .strictObject({
    table: KeyWire,
    edition: z.int(),
    rulesVersion: z.int().describe('that the publication became'),
    startedAt: InstantWire.describe('the instant of the publication'),
    finishedAt: InstantWire.nullable().describe(
      'when the last revision that was there at the publication was checked; null while one is not',
    ),
    total: z.int().describe('live revisions now'),
    done: z.int().describe('those checked at this rules version or a later one'),
    blocked: z.int().describe('those that this publication has blocked, from some instant on'),
  })
  .meta({ id: 'Sweep' })
export type Sweep = z.infer<typeof SweepWire>

/** A sweep as it is counted. Instants are milliseconds since the epoch. */
export interface SweepRecord extends EditionKey {
  readonly rulesVersion: number
  readonly publishedAt: number
  readonly lastCheckedAt: number | null
  readonly total: number
  readonly done: number
  readonly blocked: number
}

export function writeSweep({ publishedAt, lastCheckedAt, ...counted }: SweepRecord): Sweep {
  const isFinished = counted.done === counted.total
  return {
    ...counted,
    startedAt: writeInstant(publishedAt),
    finishedAt: writeInstantOrNull(isFinished ? (lastCheckedAt ?? publishedAt) : null),
  }
}

export function sweepNotFound({ table, edition }: EditionKey): Problem {
  return new Problem('sweep-not-found', { detail: `Edition ${edition} of ${table} is not published.` })
}
