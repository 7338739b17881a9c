import { z } from 'zod'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'

/** What may happen to a unit outside a test. A physical fact is recorded as it is, and never refused. */
export const unitEvents = ['opened', 'reworked', 'shipped', 'returned', 'scrapped'] as const

/** Where a unit is. */
export const shipStates = ['in-plant', 'shipped', 'returned', 'scrapped'] as const
export type ShipState = (typeof shipStates)[number]

export interface UnitEvent {
  readonly eventId: string
  readonly site: string
  readonly event: (typeof unitEvents)[number]
  /** When it happened, and when it was recorded; milliseconds since the epoch. */
  readonly at: number
  readonly recordedAt: number
  readonly eventKey: string
  readonly reason: string | null
  readonly reference: string | null
  readonly recordedBy: string
}

/** `POST /v1/units/{product}/{serial}/events`. */
export const UnitEventDraftWire = z
  .strictObject({
    eventKey: KeyWire.describe("The recorder's own, unique per site for ever: sent again, the first answer"),
    site: KeyWire.describe('Where it happened'),
    event: z.enum(unitEvents),
    at: InstantWire.describe('May be past, not future'),
    reason: TextWire(1000).nullish(),
    reference: TextWire(200).nullish().describe('Of a shipment, a repair order, a complaint'),
  })
  .meta({ id: 'UnitEventDraft' })
export type UnitEventDraft = z.infer<typeof UnitEventDraftWire>

export const UnitEventWire = z
  .strictObject({
    eventId: z.string(),
    eventKey: z.string(),
    site: z.string(),
    event: z.enum(unitEvents),
    at: InstantWire,
    reason: z.string().nullable(),
    reference: z.string().nullable(),
    recordedAt: InstantWire,
    recordedBy: z.string(),
  })
  .meta({ id: 'UnitEvent' })
export type UnitEventWire = z.infer<typeof UnitEventWire>

export const RecordedUnitEventWire = UnitEventWire.extend({
  product: z.string(),
  serial: z.string().describe("By the product's rule"),
  repeated: z.boolean().describe('The same event was recorded before under this key'),
  shipState: z.enum(shipStates).describe('Where the unit is by all that is recorded now'),
}).meta({ id: 'RecordedUnitEvent' })
export type RecordedUnitEvent = z.infer<typeof RecordedUnitEventWire>
