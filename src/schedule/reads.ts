import { endOfLocalDay, writeInstant } from '../exact/time.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { type Days, type PlacedRevision, type ScheduleFacts, type Upcoming, upcomingOf } from './upcoming.ts'
import type { ScheduledKind } from './words.ts'

const DAY_MS = 86_400_000

export interface ScheduleAsked {
  /** Whole days of 24 hours from `now` on. */
  readonly days: number
  /** What concerns that site; all of it where left out. */
  readonly site?: string | undefined
  readonly kind?: ScheduledKind | undefined
  readonly now: number
}

export type SchedulePlace = Upcoming['place']

/** What is going to happen, in order, after a place. One more than `limit` where there are more. */
export async function readSchedule(
  sql: Sql,
  page: { readonly after: SchedulePlace | undefined; readonly limit: number },
  asked: ScheduleAsked,
): Promise<Upcoming[]> {
  const days = daysOf(asked)
  const all = upcomingOf(await readFacts(sql, days, asked.site), days)
  const [at, key] = page.after ?? [Number.NEGATIVE_INFINITY, '']
  return all
    .filter(({ place }) => place[0] > at || (place[0] === at && place[1] > key))
    .filter(({ change }) => asked.kind === undefined || change.kind === asked.kind)
    .slice(0, page.limit + 1)
}

export function daysOf({ now, days }: Pick<ScheduleAsked, 'now' | 'days'>): Days {
  return { now, until: now + days * DAY_MS }
}

/** What a page says of itself beside its items. */
export async function readScheduleHead(sql: Sql, asked: Pick<ScheduleAsked, 'now' | 'days'>) {
  const { now, until } = daysOf(asked)
  const [row] = await sql.query<{ behind: number }>(
    `SELECT count(*)::int AS behind FROM governance.plan_revision r
     WHERE r.state IN ('approved', 'withdrawn')
       AND r.checked_version < (SELECT rules_version FROM intake.gate WHERE site_id = '*')
       AND EXISTS (SELECT 1 FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
         AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $1)))`,
    [timestamptzText(now)],
    'schedule_behind',
  )
  return { asOf: writeInstant(now), until: writeInstant(until), uncheckedCount: row?.behind ?? 0 }
}

async function readFacts(sql: Sql, days: Days, site: string | undefined): Promise<ScheduleFacts> {
  const span = [timestamptzText(days.now), timestamptzText(days.until)]
  const editions = await sql.query<ScheduleFacts['editions'][number]>(
    `SELECT rule_table AS "table", edition, effective_from AS at FROM governance.rule_edition
     WHERE state = 'published' AND effective_from > $1 AND effective_from <= $2`,
    span,
    'schedule_editions',
  )
  const versions = await sql.query<ScheduleFacts['versions'][number]>(
    `SELECT product, version, effective_from AS at FROM governance.product_version
     WHERE state = 'confirmed' AND effective_from > $1 AND effective_from <= $2`,
    span,
    'schedule_versions',
  )
  return {
    editions,
    versions,
    placed: await readPlaced(sql, days, site),
    calibrations: await readCalibrations(sql, days, site),
  }
}

const BLOCKS = `governance.block b JOIN governance.plan_revision r ON r.plan = b.plan AND r.revision = b.revision
    AND r.checked_version = b.rules_version`

// Where nothing changes nothing is read: of a house of thousands of plans a few do. Intervals and blocks in one statement,
// since a check may come between two.
const READ_PLACED = `
  WITH live AS (
    SELECT * FROM governance.in_force f
    WHERE (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $1)) AND ($3::text IS NULL OR f.site = $3)
  ), blocked AS (
    SELECT b.plan, b.revision, jsonb_agg(jsonb_build_object('from', floor(extract(epoch FROM b.from_at) * 1000)::int8,
      'until', floor(extract(epoch FROM b.until_at) * 1000)::int8, 'causes', b.causes::jsonb) ORDER BY b.from_at) AS blocks
    FROM ${BLOCKS} WHERE r.state IN ('approved', 'withdrawn') AND (b.until_at IS NULL OR b.until_at > $1) GROUP BY b.plan, b.revision
  ), touched AS (
    SELECT DISTINCT product, operation, site FROM live
    WHERE (from_at > $1 AND from_at <= $2) OR until_at <= $2
      OR (plan, revision) IN (SELECT plan, revision FROM blocked)
  )
  SELECT l.plan, l.revision, l.product, l.operation, l.site, l.from_at AS "from", l.until_at AS "until",
    array_agg(l.variant) AS variants, coalesce((SELECT blocks FROM blocked b WHERE b.plan = l.plan AND b.revision = l.revision), '[]') AS blocks
  FROM live l JOIN touched USING (product, operation, site)
  GROUP BY l.plan, l.revision, l.product, l.operation, l.site, l.from_at, l.until_at`

function readPlaced(sql: Sql, { now, until }: Days, site: string | undefined): Promise<PlacedRevision[]> {
  const values = [timestamptzText(now), timestamptzText(until), site ?? null]
  return sql.query<PlacedRevision>(READ_PLACED, values, 'schedule_placed')
}

interface CalibrationRow {
  readonly site: string
  readonly timeZone: string
  readonly station: string
  readonly instrument: string
  readonly calibration: string
  readonly dueOn: string
}

/** The calibration that counts of each instrument that stands at a station now: the one performed last. */
async function readCalibrations(sql: Sql, { now }: Days, site: string | undefined) {
  const rows = await sql.query<CalibrationRow>(
    `SELECT DISTINCT ON (a.station, a.instrument) s.site, w.time_zone AS "timeZone", a.station, a.instrument, c.calibration,
            c.due_on::text AS "dueOn"
     FROM governance.instrument_assignment a
     JOIN governance.station s USING (station) JOIN governance.site w ON w.site = s.site
     JOIN governance.calibration c ON c.instrument = a.instrument AND c.performed_at <= $1
     WHERE a.from_at <= $1 AND (a.until_at IS NULL OR a.until_at > $1) AND ($2::text IS NULL OR s.site = $2)
     ORDER BY a.station, a.instrument, c.performed_at DESC, c.recorded_at DESC, c.calibration DESC`,
    [timestamptzText(now), site ?? null],
    'schedule_calibrations',
  )
  return rows.map(({ timeZone, dueOn, ...row }) => ({ ...row, at: endOfLocalDay(dueOn, timeZone) }))
}
