import type { StepKind } from '../rules/words.ts'
import { checkSays, type StationCheck, saidOf } from '../stations/station-check.ts'

/** When tests of one kind with one instrument at the station are put in doubt by a failed check. */
export interface DoubtedWindow {
  readonly kind: StepKind
  readonly instrument: string
  /** The last good check before; null where there was none, so that everything before is in doubt. */
  readonly from: number | null
  /** The first good check after; null where there is none yet. */
  readonly until: number | null
}

/**
 * What a failed check puts in doubt: from the last good check of each instrument that ever stood there to the next one,
 * kind by kind. None where the check is good. `checks` are those of its station, in ascending order of their instants.
 */
export function doubtedWindows(
  failed: StationCheck,
  checks: readonly StationCheck[],
  instruments: readonly string[],
): DoubtedWindow[] {
  const kinds = [...new Set(failed.results.map(({ kind }) => kind))].filter(
    (one) => checkSays(failed, one) === 'failed',
  )
  return kinds.flatMap((kind) =>
    instruments.map((instrument) => {
      const window = { kind, instrument, from: null as number | null, until: null as number | null }
      // The latest comes first.
      for (const { at, says } of saidOf(checks, { kind, instrument })) {
        if (says !== 'good') continue
        if (at > failed.at) window.until = at
        else if (at < failed.at) {
          window.from = at
          break
        }
      }
      return window
    }),
  )
}
