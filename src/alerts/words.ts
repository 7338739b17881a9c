import { z } from 'zod'
import { InstantWire } from '../exact/time.ts'

/** What somebody should look at on a station, seen from its uploads. Never reused. */
export const alertCodes = ['open-lead-run', 'verdict-differs', 'product-mismatch-run'] as const
export type AlertCode = (typeof alertCodes)[number]

const AlertedRunWire = z.strictObject({ runId: z.string(), serial: z.string().nullable(), at: InstantWire })

export const StationAlertWire = z
  .strictObject({
    code: z.enum(alertCodes),
    station: z.string(),
    since: InstantWire.describe('Of the first upload that it is about'),
    until: InstantWire.describe('Of the last'),
    count: z.int(),
    isOpen: z.boolean().describe('Nothing better has come since'),
    step: z.string().nullable(),
    measurement: z.string().nullable(),
    lastPlausible: AlertedRunWire.extend({ reading: z.string() })
      .nullable()
      .describe('The last reading that a connected unit may show, before an open lead; units since then are untested'),
    runs: z.array(AlertedRunWire).describe('The first hundred'),
    sentence: z.string().describe('For whoever is at the station; may be reworded'),
  })
  .meta({ id: 'StationAlert' })
export type StationAlert = z.infer<typeof StationAlertWire>
