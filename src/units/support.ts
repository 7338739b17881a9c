import { type FactKey, type Facts, factOf, siteOf } from '../judging/facts.ts'
import { supportAt } from '../stations/support.ts'
import type { Attempt } from './words.ts'

/** The facts that `isSuspect` asks of the site where the run was made. */
export function supportNeeds(attempt: Attempt): FactKey[] {
  const needs: FactKey[] = [`site/${attempt.site}`, `station/${attempt.station}`]
  if (attempt.instrument !== null) needs.push(`instrument/${attempt.instrument}`)
  if (attempt.programming !== null) needs.push(`programming/${attempt.programming}`)
  return needs
}

/**
 * Whether instrument, calibration or programming of an accepted run do not hold by all that is known now: a fact
 * recorded late took one away. `facts` are those of the run's site.
 */
export function isSuspect(facts: Facts, attempt: Attempt): boolean {
  if (attempt.instrument === null) return true
  const station = factOf(facts, 'station', attempt.station)
  const instrument = factOf(facts, 'instrument', attempt.instrument)
  if (station === null || instrument === null) return true
  const cited = attempt.programming === null ? null : factOf(facts, 'programming', attempt.programming)
  return supportAt(
    {
      station: attempt.station,
      instrument: attempt.instrument,
      timeZone: siteOf(facts).timeZone,
      assignments: [...station.assignments, ...instrument.assignments],
      calibrations: instrument.calibrations,
      programming:
        instrument.programs === null
          ? undefined
          : {
              key: attempt.programming ?? undefined,
              programming: cited?.programming,
              others: cited?.others ?? [],
              plan: attempt.plan ?? '',
              revision: attempt.revision ?? 0,
              // Admission held the programming to the digest cited, and neither ever changes.
              revisionDigest: cited?.programming.revisionDigest ?? '',
            },
    },
    attempt.startedAt,
  ).suspect
}
