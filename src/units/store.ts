import { timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { UnitEvent } from './event-words.ts'
import type { UnitName } from './words.ts'

/** The event that was recorded under a key at a site, with the unit that it is of. */
export async function selectEventByKey(
  act: Act,
  { site, eventKey }: { readonly site: string; readonly eventKey: string },
): Promise<(UnitEvent & UnitName) | undefined> {
  const [row] = await act.sql.query<UnitEvent & UnitName>(
    `SELECT product, serial, event_id AS "eventId", site_id AS site, event, at, recorded_at AS "recordedAt",
            event_key AS "eventKey", reason, reference, recorded_by AS "recordedBy"
     FROM intake.unit_events WHERE site_id = $1 AND event_key = $2`,
    [site, eventKey],
    'units_event_by_key',
  )
  return row
}

export async function insertEvent(act: Act, { product, serial }: UnitName, event: UnitEvent): Promise<void> {
  await act.sql.query(
    `INSERT INTO intake.unit_events (site_id, product, serial, at, event_id, event_key, event, reason, reference,
       recorded_at, recorded_by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
    [
      event.site,
      product,
      serial,
      timestamptzText(event.at),
      event.eventId,
      event.eventKey,
      event.event,
      event.reason,
      event.reference,
      timestamptzText(event.recordedAt),
      event.recordedBy,
    ],
    'units_insert_event',
  )
}
