import { z } from 'zod'
import { InstantWire } from '../exact/time.ts'

/** The action of an entry that holds a whole commit of uploads. */
export const UPLOADS = 'uploadRuns'

/** What may happen: the action of every entry there is, each the operationId of its act. */
export const eventKinds = [
  'approveConcession',
  'approvePermit',
  'approveRevision',
  'askImpact',
  'assessStudy',
  'assignInstrument',
  'cancelStudy',
  'confirmCheckPlan',
  'confirmCorrection',
  'confirmReferenceUnit',
  'confirmStationProfile',
  'confirmVersion',
  'correctRun',
  'createCheckPlan',
  'createEdition',
  'createInstrument',
  'createPerson',
  'createReferenceUnit',
  'createRevision',
  'createSite',
  'createStation',
  'createStationProfile',
  'createStudy',
  'createVersion',
  'endProgramming',
  'fetchOneTimeSecret',
  'issueKey',
  'openPresence',
  'publishEdition',
  'recordCalibration',
  'recordProgramming',
  'recordStationCheck',
  'recordUnitEvent',
  'replaceEdition',
  'replaceRevision',
  'replaceVersion',
  'revokeKey',
  'requestConcession',
  'requestPermit',
  'submitEdition',
  'submitRevision',
  'submitVersion',
  'uploadFile',
  UPLOADS,
  'voidOneTimeSecret',
  'withdrawPermit',
  'withdrawReferenceUnit',
  'withdrawRevision',
  'withdrawStationProfile',
] as const

const kinds: ReadonlySet<string> = new Set(eventKinds)

/** A list in a query, `approveRevision,uploadRuns`. A kind that does not exist would be waited for in vain: refused. */
export const KindsParam = z
  .string()
  .max(1_024)
  .refine((text) => text.split(',').every((kind) => kinds.has(kind)), {
    message: `a kind is one of ${eventKinds.join(' ')}; several are parted by commas`,
  })
  .describe('Only these kinds, parted by commas')

const CURSOR = /^(0|[1-9][0-9]{0,14})\.(0|[1-9][0-9]{0,5})$/

/** The place of an event: the index of its entry and its position there, counted from 1; `5.0` is before all of entry 5. */
export interface Place {
  readonly index: number
  readonly position: number
}

export const START: Place = { index: 0, position: 0 }

export const CursorWire = z
  .string()
  .regex(CURSOR, 'a cursor is index.position, such as 1042.1')
  .describe('A place in the feed: index.position')

/** The place that a cursor names; undefined where the text is none. */
export function readCursor(text: string): Place | undefined {
  const parts = CURSOR.exec(text)
  return parts ? { index: Number(parts[1]), position: Number(parts[2]) } : undefined
}

export function writeCursor({ index, position }: Place): string {
  return `${index}.${position}`
}

export const EventWire = z
  .strictObject({
    cursor: CursorWire.describe(
      'The place of this event; never changes. Keep it to go on from here, and to know it again',
    ),
    index: z.int().min(0).describe('Of its entry in the one order of all that was recorded, dense from 0'),
    position: z.int().min(1).describe('In its entry: an act is one event, a commit of uploads one for each'),
    knownAt: InstantWire.describe('When it entered the order; never falls from one event to the next'),
    recordedAt: InstantWire.describe('When it was committed; may be earlier than that of the event before'),
    kind: z.string().describe('The operationId of the act'),
    site: z.string().nullable().describe('Where an upload came in; null for what concerns the house'),
    by: z.string().describe('The person; `service`; for an upload the access key of its sender'),
    key: z.string().nullable().describe('The access key that it was done with; null where the service itself acted'),
    subject: z.string().describe('What it was done to: the path in this interface, without /v1/'),
    facts: z.record(z.string(), z.unknown()).describe('Ids, digests, instants and reasons, never the name of a person'),
  })
  .meta({ id: 'Event' })

export const EventPageWire = z
  .strictObject({
    items: z.array(EventWire),
    nextCursor: CursorWire.describe('Go on after this one; also where the page holds no event'),
    atEnd: z.boolean().describe('Nothing more was there. False: ask again at once, even where the page holds no event'),
  })
  .meta({ id: 'EventPage' })
