import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'

/** What is going to happen. The last three are to be warned of. */
export const changeKinds = [
  'edition-in-effect',
  'version-in-effect',
  'revision-in-force',
  'revision-ended',
  'revision-blocked',
  'nothing-in-force',
  'calibration-due',
] as const
export type ScheduledKind = (typeof changeKinds)[number]

/** Why nothing will be in force: the revision that would be is blocked, or the last one ends and none follows. */
export const gapReasons = ['revision-blocked', 'revision-ended'] as const
export type GapReason = (typeof gapReasons)[number]

/** One thing that is going to happen. What does not apply is null, or an empty list. */
export const ScheduledChangeWire = z
  .strictObject({
    at: InstantWire.describe('When'),
    kind: z.enum(changeKinds),
    sites: z.array(KeyWire).nullable().describe('Where; null: everywhere'),
    product: KeyWire.nullable(),
    version: z.int().nullable().describe('Of the product, that takes effect'),
    operation: KeyWire.nullable(),
    variants: z.array(KeyWire).describe('For which; empty where the product has none'),
    plan: KeyWire.nullable(),
    revision: z
      .int()
      .nullable()
      .describe('That comes into force, ends or is blocked; where nothing is in force, the one that keeps it so'),
    because: z.enum(gapReasons).nullable().describe('Why nothing is in force'),
    causes: z.array(z.string()).describe('What blocks it, in words of findings'),
    until: InstantWire.nullable().describe('When something is in force again; null where nothing is known to be'),
    table: KeyWire.nullable(),
    edition: z.int().nullable(),
    station: KeyWire.nullable(),
    instrument: KeyWire.nullable(),
    calibration: KeyWire.nullable().describe('That ends'),
  })
  .meta({ id: 'ScheduledChange' })
export type ScheduledChange = z.infer<typeof ScheduledChangeWire>

export const DAYS_DEFAULT = 30
export const DAYS_MAX = 366

export const SchedulePageWire = z
  .strictObject({
    asOf: InstantWire.describe('Of this page'),
    until: InstantWire.describe('The end of the days asked for, included'),
    uncheckedCount: z
      .int()
      .min(0)
      .describe('Revisions that the rules as of now have not been asked about yet, a moment after each publication'),
    items: z.array(ScheduledChangeWire),
    nextCursor: z.string().nullable(),
  })
  .meta({ id: 'SchedulePage' })
export type SchedulePage = z.infer<typeof SchedulePageWire>
