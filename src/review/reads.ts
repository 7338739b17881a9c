import { writeInstantOrNull } from '../exact/time.ts'
import { writeFinding } from '../plans/findings.ts'
import { checkRecordsNow, readRevisionRecords } from '../plans/reads-many.ts'
import { contentOf, keyText, type RevisionKey, type RevisionRecord, revisionNotFound } from '../plans/record.ts'
import type { PlanContent } from '../plans/words.ts'
import type { Database } from '../platform/database/pool.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import { cautionsFor } from '../stations/cautions.ts'
import { readReachedStations } from '../stations/reads-reach.ts'
import { compareFindings } from './compare-findings.ts'
import { diffRevisions } from './diff.ts'
import { largeChanges } from './large-changes.ts'
import { diffed } from './reads-diff.ts'
import { selectLimitReasons } from './store.ts'
import type { RevisionReview } from './words.ts'

/** Findings told of both revisions together; a revision has a few, hostile content thousands. */
const FINDINGS_MAX = 500
/** How far back a station is looked for: with nothing sent for longer it may as well be gone. */
const SEEN_WITHIN_MS = 31 * 86_400_000

/**
 * Everything that the signer of a revision should have seen: what it changes, what rules say of it and of the one
 * before, and which stations it reaches. Compared with `against`, else with the latest before it that was approved.
 * @throws Problem `revision-not-found`
 */
export async function reviewRevision(
  database: Database,
  key: RevisionKey,
  against: number | undefined,
): Promise<RevisionReview> {
  const { sql } = database
  const { to, from } = await readPair(sql, key, against)
  const diff = from === undefined ? null : diffRevisions(diffed(from), diffed(to))
  const { rulesVersion, at, checks } = await checkRecordsNow(database, from === undefined ? [to] : [to, from])
  const [after, before] = checks
  const findings = compareFindings(before?.findings ?? [], after?.findings ?? [])
  const content = contentOf(to)
  return {
    plan: to.plan,
    revision: to.revision,
    digest: to.digest,
    against: from?.revision ?? null,
    rulesVersion,
    diff,
    findings: findings.slice(0, FINDINGS_MAX).map((one) => ({
      change: one.change,
      before: one.before && writeFinding(one.before),
      after: one.after && writeFinding(one.after),
    })),
    findingsLeftOut: Math.max(0, findings.length - FINDINGS_MAX),
    reach: await readReach(sql, { record: to, content }, at),
    reasonNeededFor: largeChanges(diff?.changes ?? []),
    limitReasons: await selectLimitReasons(sql, key),
    changeReason: to.changeReason,
    cautions: cautionsFor(content.steps.map(({ kind }) => kind)),
  }
}

/**
 * A revision, and the one that it is compared with, where there is one.
 * @throws Problem `revision-not-found`
 */
export async function readPair(
  sql: Sql,
  key: RevisionKey,
  against: number | undefined,
): Promise<{ readonly to: RevisionRecord; readonly from: RevisionRecord | undefined }> {
  const other = against ?? (await readApprovedBefore(sql, key))
  const keys = other === undefined ? [key] : [key, { plan: key.plan, revision: other }]
  const records = await readRevisionRecords(sql, keys)
  const [to, from] = keys.map((one) => records.get(keyText(one)))
  if (to === undefined) throw revisionNotFound(key)
  if (other !== undefined && from === undefined) throw revisionNotFound({ plan: key.plan, revision: other })
  return { to, from }
}

/** The latest revision before it that was approved, whether or not it has been in force yet. */
export async function readApprovedBefore(sql: Sql, { plan, revision }: RevisionKey): Promise<number | undefined> {
  const [row] = await sql.query<{ before: number | null }>(
    `SELECT max(revision) AS before FROM governance.plan_revision
     WHERE plan = $1 AND revision < $2 AND state IN ('approved', 'withdrawn')`,
    [plan, revision],
    'review_approved_before',
  )
  return row?.before ?? undefined
}

async function readReach(
  sql: Sql,
  { record, content }: { readonly record: RevisionRecord; readonly content: PlanContent },
  at: number,
): Promise<RevisionReview['reach']> {
  const { plan, revision, submittedAt } = record
  const { product, operation } = content
  const kinds = new Set<string>(content.steps.map(({ kind }) => kind))
  const sites = content.sites ?? (await readSitesOpen(sql, at))
  const reached = await readReachedStations(sql, { plan, product, operation, kinds, sites }, at)
  const seen = await readLastUploads(sql, reached, at - SEEN_WITHIN_MS)
  const since = Math.max(submittedAt ?? at - SEEN_WITHIN_MS, at - SEEN_WITHIN_MS)
  const stations = reached.map(({ station, site, instrument, programming, keepsPrograms }) => ({
    station,
    site,
    instrument,
    revision: programming?.revision ?? null,
    programming: programming?.programming ?? null,
    toProgram: keepsPrograms && programming?.revisionDigest !== record.digest,
    lastUploadAt: writeInstantOrNull(seen.get(station) ?? null),
  }))
  return {
    stations,
    stationCount: stations.length,
    assignmentCount: stations.filter((one) => one.revision !== null && one.revision !== revision).length,
    toProgramCount: stations.filter(({ toProgram }) => toProgram).length,
    unseenCount: reached.filter(({ station }) => (seen.get(station) ?? 0) <= since).length,
  }
}

async function readSitesOpen(sql: Sql, at: number): Promise<string[]> {
  const rows = await sql.query<{ site: string }>(
    'SELECT site FROM governance.site WHERE opened_at <= $1 ORDER BY site',
    [timestamptzText(at)],
    'review_sites_open',
  )
  return rows.map(({ site }) => site)
}

/** When each of these stations last sent an upload, whatever became of it, after `since`; absent where it did not. */
async function readLastUploads(
  sql: Sql,
  stations: readonly { readonly station: string; readonly site: string }[],
  since: number,
): Promise<ReadonlyMap<string, number>> {
  const rows = await sql.query<{ station: string; at: number }>(
    `SELECT asked.station, last.received_at AS at FROM unnest($1::text[], $2::text[]) AS asked (station, site)
     CROSS JOIN LATERAL (SELECT received_at FROM intake.uploads
       WHERE site_id = asked.site AND received_at > $3 AND station = asked.station
       ORDER BY received_at DESC LIMIT 1) last`,
    [stations.map(({ station }) => station), stations.map(({ site }) => site), timestamptzText(since)],
    'review_last_uploads',
  )
  return new Map(rows.map(({ station, at }) => [station, at]))
}
