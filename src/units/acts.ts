import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { Problem, unknownReference } from '../platform/problems.ts'
import { readDated } from '../stations/dated.ts'
import { getSite } from '../stations/reads.ts'
import type { RecordedUnitEvent, UnitEvent, UnitEventDraft } from './event-words.ts'
import { compareEvents, shipStateAt } from './events.ts'
import { readHistories, readSerial, unitKey, writeUnitEvent } from './reads.ts'
import { insertEvent, selectEventByKey } from './store.ts'
import type { UnitName } from './words.ts'

/**
 * Records what happened to a unit. A physical fact is never refused: a unit that nobody tested may have been shipped, and
 * that must be known. Under the gate, so that no upload of the unit is folded without it.
 * @throws Problem `product-not-found`, `reference-unknown`, `instant-in-future`, `field-invalid`; `event-key-reused` where
 *   the key stands for another event
 */
export async function recordUnitEvent(
  database: Database,
  actor: PersonActor,
  name: UnitName,
  draft: UnitEventDraft,
): Promise<RecordedUnitEvent> {
  const asked = readDated(draft.at, '/at')
  return runActOf(database, actor, async (act) => {
    await requireSite(act.sql, draft.site)
    const serial = await readSerial(act.sql, name, { at: act.at, rulesVersion: act.rulesVersion })
    if (serial === undefined) {
      throw new Problem('product-not-found', { detail: `No version of ${name.product} is confirmed.` })
    }
    const unit = { product: name.product, serial }
    const known = await selectEventByKey(act, draft)
    if (known !== undefined && !isSame(known, { unit, draft, at: asked })) {
      throw new Problem('event-key-reused', {
        detail: `The key ${draft.eventKey} stands for ${known.event} of ${known.product} ${known.serial}. The first stays.`,
      })
    }
    const event: UnitEvent = known ?? {
      eventId: act.ids.mint(act.at),
      site: draft.site,
      event: draft.event,
      at: act.datedAt(asked, '/at'),
      recordedAt: act.at,
      eventKey: draft.eventKey,
      reason: draft.reason ?? null,
      reference: draft.reference ?? null,
      recordedBy: actor.person,
    }
    if (known === undefined) {
      await insertEvent(act, unit, event)
      await recordEntry(act, {
        action: 'recordUnitEvent',
        by: actor.person,
        subject: `units/${unit.product}/${unit.serial}`,
        facts: { site: event.site, eventId: event.eventId, event: event.event, at: writeInstant(event.at) },
      })
    }
    const events = (await readHistories(act.sql, [unit])).get(unitKey(unit))?.events ?? []
    const { eventId, eventKey, site, event: what, at, reason, reference, recordedAt, recordedBy } = event
    const written = writeUnitEvent({
      eventId,
      eventKey,
      site,
      event: what,
      at,
      reason,
      reference,
      recordedAt,
      recordedBy,
    })
    return { ...written, ...unit, repeated: known !== undefined, shipState: shipStateAt(events.sort(compareEvents)) }
  })
}

async function requireSite(sql: Sql, site: string): Promise<void> {
  try {
    await getSite(sql, site)
  } catch (error) {
    if (error instanceof Problem) throw unknownReference('/site', `There is no site ${site}.`)
    throw error
  }
}

function isSame(
  known: UnitEvent & UnitName,
  { unit, draft, at }: { readonly unit: UnitName; readonly draft: UnitEventDraft; readonly at: number },
): boolean {
  return (
    known.product === unit.product &&
    known.serial === unit.serial &&
    known.event === draft.event &&
    known.at === at &&
    known.reason === (draft.reason ?? null) &&
    known.reference === (draft.reference ?? null)
  )
}
