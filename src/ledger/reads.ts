import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { eventsOf, type FeedEvent, type SequencedEntry } from './events.ts'
import { type Place, writeCursor } from './words.ts'

/** Where the order ends, and whether entries wait for their places. */
export interface OrderEnd {
  /** The index that the next entry will get. */
  readonly next: number
  readonly isBehind: boolean
}

/** Throws where the row that sequencers lock is gone: without it nothing would be sequenced, and nobody told. */
export async function readOrderEnd(sql: Sql): Promise<OrderEnd> {
  const [row] = await sql.query<OrderEnd & { hasRow: boolean }>(
    `SELECT coalesce((SELECT max(index) + 1 FROM governance.sequenced_entry), 0) AS next,
            EXISTS (SELECT FROM intake.ledger_pending) AS "isBehind",
            EXISTS (SELECT FROM governance.sequencer WHERE sequencer = 'ledger') AS "hasRow"`,
    [],
    'ledger_read_order_end',
  )
  if (!row?.hasRow) throw new Error("governance.sequencer has no row 'ledger'; was the database restored whole?")
  return { next: row.next, isBehind: row.isBehind }
}

/** The last place given, and the database's clock. Before the first: index -1, known at -Infinity. */
export async function readLastPlace(sql: Sql): Promise<{ now: number; index: number; knownAt: number }> {
  const [row] = await sql.query<{ now: number; index: number; knownAt: number }>(
    `SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now, coalesce(last.index, -1) AS index,
            coalesce(last.known_at, '-infinity') AS "knownAt"
     FROM (VALUES (1)) one LEFT JOIN (
       SELECT index, known_at FROM governance.sequenced_entry ORDER BY index DESC LIMIT 1) last ON true`,
    [],
    'ledger_read_last_place',
  )
  if (row === undefined) throw new Error('the last place is one row')
  return row
}

export interface EventsAsked {
  readonly after: Place
  /** Most events of the page. */
  readonly limit: number
  /** All of them where undefined. */
  readonly kinds: readonly string[] | undefined
  /** Leaves out what other sites uploaded; acts of the house concern every site and stay. */
  readonly site: string | undefined
}

export interface EventPage {
  readonly items: readonly FeedEvent[]
  /** Where to go on; moves on over entries that were left out, too. */
  readonly next: Place
  readonly atEnd: boolean
}

/** Texts held at once: a commit of 256 uploads has some 40 kB. */
const CHUNK = 100
/** Indexes looked at in one statement, and statements for one page, so that a rare kind holds no connection for long. */
const WINDOW = 10_000
const WINDOWS_MAX = 100

const READ_ENTRIES = `
  SELECT index, site, recorded_at AS "recordedAt", known_at AS "knownAt",
         (SELECT content FROM intake.ledger_entries entry WHERE entry.site_id = place.site
            AND entry.recorded_at = place.recorded_at AND entry.entry_id = place.entry_id) AS content
  FROM (
    SELECT index, site, recorded_at, known_at, entry_id FROM governance.sequenced_entry
    WHERE index >= $1 AND index < $2 AND ($3::text[] IS NULL OR action = ANY ($3)) AND ($4::text IS NULL OR site IN ($4, '*'))
    ORDER BY index LIMIT $5
  ) place ORDER BY index`

/**
 * The events after a place, in the one order. Places are given after the commit, by one sequencer at a time, so whoever
 * sees an index sees all below it: a page can pass over nothing that commits later.
 * @throws Problem `cursor-invalid` where the place is beyond the end, as after a restore of an older state;
 *   `site-not-found`
 */
export async function readEvents({ sql }: Database, asked: EventsAsked): Promise<EventPage> {
  const { after, limit, kinds, site } = asked
  const { next: end } = await readOrderEnd(sql)
  if (after.index > end || (after.index === end && after.position > 0)) {
    throw new Problem('cursor-invalid', {
      detail: `${writeCursor(after)} lies beyond the end of the feed, ${writeCursor({ index: end, position: 0 })}. Was an older state of the database restored? Then read again from a place before it.`,
    })
  }
  if (site !== undefined) await requireSite(sql, site)
  const items: FeedEvent[] = []
  let next = after
  for (let window = 0; window < WINDOWS_MAX && items.length < limit && next.index < end; window += 1) {
    const upTo = Math.min(next.index + WINDOW, end)
    const chunk = Math.min(CHUNK, limit - items.length + 1)
    const entries = await sql.query<SequencedEntry>(
      READ_ENTRIES,
      [next.index, upTo, kinds ?? null, site ?? null, chunk],
      'ledger_read_entries',
    )
    for (const event of entries.flatMap(eventsOf)) {
      if (event.place.index === after.index && event.place.position <= after.position) continue
      if (items.length === limit) return { items, next: items.at(-1)?.place ?? after, atEnd: false }
      items.push(event)
    }
    const last = entries.at(-1)
    // A full chunk may have more in its window; else the window is done.
    next = { index: last !== undefined && entries.length === chunk ? last.index + 1 : upTo, position: 0 }
  }
  return { items, next, atEnd: next.index >= end }
}

async function requireSite(sql: Sql, site: string): Promise<void> {
  const found = await sql.query('SELECT FROM governance.site WHERE site = $1', [site], 'ledger_find_site')
  if (found.length === 0) throw new Problem('site-not-found')
}
