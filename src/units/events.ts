import type { ShipState, UnitEvent } from './event-words.ts'
import { isCountedRun } from './run-kinds.ts'
import type { Attempt } from './words.ts'

/**
 * What happened to a unit beside its tests, read along time: where it is, which runs an event has taken the worth from,
 * and which runs were made of a unit that had left.
 */

/** After these, what was tested before proves nothing any more: the unit is no longer as it was tested. */
const UNMAKING: ReadonlySet<UnitEvent['event']> = new Set(['opened', 'reworked', 'returned'])

/** The order of events: their own instant, then the order in which they were recorded. Total, so arrival does not matter. */
export function compareEvents(one: UnitEvent, other: UnitEvent): number {
  return one.at - other.at || one.recordedAt - other.recordedAt || (one.eventId < other.eventId ? -1 : 1)
}

/** Where the unit is after the events up to an instant, that instant included; now where none is given. `events` in order. */
export function shipStateAt(events: readonly UnitEvent[], at: number = Number.POSITIVE_INFINITY): ShipState {
  let state: ShipState = 'in-plant'
  for (const { event, at: happened } of events) {
    if (happened > at) break
    switch (event) {
      case 'shipped':
      case 'scrapped':
      case 'returned':
        state = event
        break
      case 'reworked':
        // Somebody has it in hand again.
        state = 'in-plant'
        break
      case 'opened':
        break
    }
  }
  return state
}

/** The event that has taken the worth from a run: the first after its start that did. `events` in order. */
export function unmadeBy(events: readonly UnitEvent[], run: Pick<Attempt, 'startedAt'>): UnitEvent | undefined {
  return events.find(({ event, at }) => UNMAKING.has(event) && at > run.startedAt)
}

/**
 * Whether a run was made of a unit that had been shipped or scrapped and, by all that is recorded, had not come back: the
 * serial number may stand on two units. Settles itself when a return or rework dated before the test is recorded.
 */
export function hasIdentityConflict(events: readonly UnitEvent[], run: Attempt): boolean {
  if (!isCountedRun(run)) return false
  const state = shipStateAt(events, run.startedAt)
  return state === 'shipped' || state === 'scrapped'
}
