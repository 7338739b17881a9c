import { z } from 'zod'
import { writeInstant } from '../exact/time.ts'
import { FORMAT, HOUSE } from './entry.ts'
import { type EventWire, type Place, UPLOADS, writeCursor } from './words.ts'

/** An entry that has its place in the order. */
export interface SequencedEntry {
  readonly index: number
  readonly site: string
  readonly recordedAt: number
  readonly knownAt: number
  /** The canonical text, over which its leaf hash was taken. */
  readonly content: string
}

/** One thing that happened, as the feed tells it. Instants in milliseconds since the epoch. */
export interface FeedEvent {
  readonly place: Place
  readonly knownAt: number
  readonly recordedAt: number
  readonly kind: string
  readonly site: string | null
  readonly by: string
  readonly key: string | null
  readonly subject: string
  readonly facts: Record<string, unknown>
}

const Entry = z.object({
  format: z.literal(FORMAT),
  action: z.string(),
  by: z.string(),
  // Canonical text leaves out what is null.
  key: z.string().nullish(),
  subject: z.string(),
  facts: z.record(z.string(), z.unknown()),
})

const UploadFacts = z.object({
  uploads: z.array(z.object({ uploadId: z.string(), sender: z.string() }).catchall(z.unknown())),
})

/**
 * What an entry tells: an act is one event, a commit of n uploads n of them, in the order of the entry. Throws where the
 * text is none of ours, since an event passed over in silence would be lost for good.
 */
export function eventsOf(entry: SequencedEntry): FeedEvent[] {
  const { action, by, key, subject, facts } = Entry.parse(JSON.parse(entry.content))
  const dated = {
    knownAt: entry.knownAt,
    recordedAt: entry.recordedAt,
    kind: action,
    site: entry.site === HOUSE ? null : entry.site,
  }
  const place = (position: number): Place => ({ index: entry.index, position })
  if (action !== UPLOADS) return [{ place: place(1), ...dated, by, key: key ?? null, subject, facts }]
  return UploadFacts.parse(facts).uploads.map(({ uploadId, sender, ...rest }, index) => ({
    place: place(index + 1),
    ...dated,
    by: sender,
    key: sender,
    subject: `runs/${uploadId}`,
    facts: { runId: uploadId, ...rest },
  }))
}

export function writeEvent(event: FeedEvent): z.infer<typeof EventWire> {
  const { place, knownAt, recordedAt, ...rest } = event
  return {
    cursor: writeCursor(place),
    index: place.index,
    position: place.position,
    knownAt: writeInstant(knownAt),
    recordedAt: writeInstant(recordedAt),
    ...rest,
  }
}
