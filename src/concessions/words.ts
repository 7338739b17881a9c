import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'

/** A concession (ISO 9000:2015, 3.12.5): leave to use or release a unit that does not conform. Its verdict stays `fail`. */

const RunId = z.string().min(1).max(64)

export const ConcessionDraftWire = z
  .strictObject({
    concession: KeyWire.describe('Unique at the site of the run'),
    runId: RunId.describe('An accepted run that failed on numbers beyond its limits'),
    reference: TextWire(200).describe('Of what the customer, or the house, has agreed to'),
    reason: TextWire(1000),
  })
  .meta({ id: 'ConcessionDraft' })
export type ConcessionDraft = z.infer<typeof ConcessionDraftWire>

export const ConcessionApprovalWire = z
  .strictObject({ digest: DigestWire, meaning: TextWire(200) })
  .meta({ id: 'ConcessionApproval' })
export type ConcessionApproval = z.infer<typeof ConcessionApprovalWire>

const NumberWire = z.strictObject({ value: z.string(), unit: z.string() })

/** One number that was beyond its limit. */
export const DepartureWire = z
  .strictObject({
    step: KeyWire,
    measurement: KeyWire,
    member: z.enum(['limitUpper', 'limitLower']),
    limit: NumberWire,
    judged: NumberWire.describe('The number that is accepted all the same'),
  })
  .meta({ id: 'Departure' })
export type Departure = z.infer<typeof DepartureWire>

export const ConcessionWire = z
  .strictObject({
    concession: KeyWire,
    site: KeyWire,
    runId: RunId,
    product: z.string(),
    serial: z.string(),
    reference: z.string(),
    reason: z.string(),
    departures: z.array(DepartureWire),
    digest: DigestWire.describe('What the second person signs'),
    requestedAt: InstantWire,
    requestedBy: KeyWire,
    approvedAt: InstantWire.nullable().describe('From then on the run no longer keeps its unit from shipping'),
    approvedBy: KeyWire.nullable(),
    meaning: z.string().nullable(),
  })
  .meta({
    id: 'Concession',
    description:
      'Never beyond the rules in effect. It makes no unit safe that is not: local codes and licensed practice govern.',
  })
export type ConcessionAnswer = z.infer<typeof ConcessionWire>

/** As stored; instants in milliseconds since the epoch. */
export interface ConcessionRow extends Omit<ConcessionAnswer, 'requestedAt' | 'approvedAt' | 'departures'> {
  readonly departures: readonly Departure[]
  readonly requestedAt: number
  readonly approvedAt: number | null
}
