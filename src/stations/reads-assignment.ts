import { canonicalText, digestOf } from '../exact/canonical.ts'
import { ensureChecked } from '../plans/acts/ensure-checked.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction, type Sql } from '../platform/database/transaction.ts'
import { type GateShare, shareGate } from '../platform/gate.ts'
import { readConfirmedVersions } from '../products/reads.ts'
import { variantNames, versionInEffect } from '../products/versions.ts'
import { stationNotFound } from './acts.ts'
import { type AssignmentDecision, type AssignmentFacts, decideAssignment } from './assignment.ts'
import { readStationChecks } from './reads-checks.ts'
import { readRevisionsInForce } from './reads-revision.ts'
import type { SiteRecord, StationRecord } from './record.ts'
import { NO_CHECKS } from './station-check.ts'
import {
  selectAssignmentsAround,
  selectCalibrationsOf,
  selectInstrumentsNamed,
  selectProgrammingsOf,
  selectSite,
  selectStation,
} from './store.ts'
import type { Assignment } from './words.ts'

export interface AssignmentAsked {
  readonly product: string
  readonly variant?: string | null | undefined
  readonly operation: string
}

export interface AssignmentAnswer {
  readonly assignment: Assignment
  readonly digest: string
}

/** An answer is sent anew at least this often, so that a station that polls by entity tag gets fresh trust. */
const RENEWAL_MS = 3_600_000

/**
 * What a station is to test with now and next. Revisions in force or scheduled that have not been checked with the rules
 * of today are checked first, so that a station hears of a block before its first run does.
 * @throws Problem `station-not-found`
 */
export async function getAssignment(
  database: Database,
  station: string,
  asked: AssignmentAsked,
): Promise<AssignmentAnswer> {
  let read = await readFacts(database, station, asked)
  const unchecked = read.facts.revisions.filter(({ isChecked }) => !isChecked)
  if (unchecked.length > 0) {
    await ensureChecked(
      database,
      unchecked.map(({ plan, revision }) => ({ plan, revision })),
    )
    read = await readFacts(database, station, asked)
  }
  const decision = decideAssignment(read.facts, read.now)
  return { assignment: decision.assignment, digest: tagOf(decision, read.now) }
}

/**
 * The digest for the entity tag. Trust counts from each answer, so `trustUntil` is left out of it; what bounds trust, and
 * the hour, are in it: a station that is answered 304 keeps a trust at most an hour shorter than a fresh one.
 */
function tagOf({ assignment, boundAt }: AssignmentDecision, now: number): string {
  const { trustUntil, ...lasting } = assignment
  const hour = Math.floor(now / RENEWAL_MS)
  return digestOf(canonicalText({ ...lasting, isTrusted: trustUntil !== null, boundAt, hour }))
}

/** Everything at one version of the gate: no act commits in between. */
async function readFacts(
  database: Database,
  station: string,
  asked: AssignmentAsked,
): Promise<{ readonly facts: AssignmentFacts; readonly now: number }> {
  const { place, site } = await readPlace(database.sql, station)
  return inTransaction(database, async (sql) => {
    const share = await shareGate(sql, database.clock, site.site)
    if (share === undefined) throw new Error(`site ${site.site} has no row in the gate`)
    return { facts: await loadFacts(sql, share, { place, site }, asked), now: share.at }
  })
}

/** Stations and sites are never changed, so they can be read before the gate. */
async function readPlace(sql: Sql, station: string): Promise<{ place: StationRecord; site: SiteRecord }> {
  const place = await selectStation(sql, station)
  if (place === undefined) throw stationNotFound(station)
  const site = await selectSite(sql, place.site)
  if (site === undefined) throw new Error(`station ${station} names site ${place.site}, which is not there`)
  return { place, site }
}

async function loadFacts(
  sql: Sql,
  share: GateShare,
  { place, site }: { readonly place: StationRecord; readonly site: SiteRecord },
  asked: AssignmentAsked,
): Promise<AssignmentFacts> {
  const { product, operation } = asked
  const variant = asked.variant ?? undefined
  const version = versionInEffect(await readConfirmedVersions(sql, product), share.at, share.rulesVersion)
  const revisions = await readRevisionsInForce(sql, {
    site: site.site,
    product,
    operation,
    variant: variant ?? '',
    now: share.at,
    rulesVersion: share.rulesVersion,
  })
  const assignments = await selectAssignmentsAround(sql, place.station)
  const instruments = [...new Set(assignments.map(({ instrument }) => instrument))]
  const records = await selectInstrumentsNamed(sql, instruments)
  return {
    station: place.station,
    site: site.site,
    timeZone: site.timeZone,
    product,
    operation,
    variant,
    variants: version && variantNames(version.content),
    revisions,
    assignments,
    capabilities: new Map(records.map(({ instrument, capabilities }) => [instrument, capabilities])),
    calibrations: await selectCalibrationsOf(sql, instruments),
    programmings: await selectProgrammingsOf(sql, instruments),
    checks: (await readStationChecks(sql, [place.station])).get(place.station) ?? NO_CHECKS,
  }
}
