import { writeInstant } from '../exact/time.ts'
import { emptyFacts, type FactKey, type Facts } from '../judging/facts.ts'
import { loadFacts } from '../judging/reads.ts'
import type { UploadCode, Verdict } from '../judging/words.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { shareGate } from '../platform/gate.ts'
import { Problem } from '../platform/problems.ts'
import { readAllConfirmedVersions } from '../products/reads.ts'
import { normaliseSerial, readSerialRule } from '../products/serial.ts'
import { type ConfirmedVersion, versionInEffect } from '../products/versions.ts'
import type { UnitEvent, UnitEventWire } from './event-words.ts'
import { type FoldedUnit, type FoldPolicy, foldUnit, governingRuns } from './fold.ts'
import { waitsForFacts } from './run-kinds.ts'
import { needsOfAttempt, worthOf } from './support.ts'
import { type Attempt, type UnitName, writeRelease } from './words.ts'

/** One name for a unit in maps; a key holds no newline. */
export function unitKey(unit: UnitName): string {
  return `${unit.product}\n${unit.serial}`
}

interface AttemptRow extends Attempt {
  readonly product: string
  readonly serial: string
  readonly codes: UploadCode[]
  readonly verdict: Verdict | null
  /** Of a row that is no attempt but an event. */
  readonly unitEvent: UnitEvent | null
}

/** What is known of one unit. */
export interface UnitHistory {
  readonly attempts: Attempt[]
  readonly events: UnitEvent[]
}

/** An event as JSON; instants as whole milliseconds. */
const EVENT_JSON = `jsonb_build_object('eventId', event_id, 'site', site_id, 'event', event,
    'at', floor(extract(epoch FROM at) * 1000)::int8, 'recordedAt', floor(extract(epoch FROM recorded_at) * 1000)::int8,
    'eventKey', event_key, 'reason', reason, 'reference', reference, 'recordedBy', recorded_by)`

// Attempts and events in one statement: a commit reads them between locking its units and folding them.
const READ_HISTORIES = `
  SELECT product, serial, site_id AS site, station, upload_key AS "uploadKey", run_id AS "runId", started_at AS "startedAt",
         sequence_number AS "sequenceNumber", received_at AS "receivedAt", outcome, codes, purpose,
         coalesce(corrected.verdict_after, verdict) AS verdict,
         CASE WHEN corrected.verdict_after IS NULL THEN NULL ELSE verdict END AS "correctedFrom", operation,
         variant, plan, revision, instrument, programming, person, attempt_cause AS "attemptCause",
         reported_failure AS "reportedFailure", coalesce(corrected.steps, attempts.steps) AS steps,
         (SELECT c.concession FROM intake.concessions c JOIN intake.concession_approvals a USING (site_id, concession)
          WHERE c.site_id = attempts.site_id AND c.run_id = attempts.run_id ORDER BY a.approved_at, c.concession LIMIT 1) AS concession,
         NULL::jsonb AS "unitEvent"
  FROM intake.attempts JOIN unnest($1::text[], $2::text[]) AS given (product, serial) USING (product, serial)
  LEFT JOIN LATERAL (
    SELECT c.verdict_after, c.steps FROM intake.corrections c
    LEFT JOIN intake.correction_confirmations f USING (site_id, run_id, correction_id)
    WHERE c.site_id = attempts.site_id AND c.run_id = attempts.run_id
      AND (c.verdict_before = c.verdict_after OR f.confirmed_at IS NOT NULL)
    ORDER BY coalesce(f.confirmed_at, c.recorded_at) DESC, c.correction_id DESC LIMIT 1) corrected ON true
  UNION ALL
  SELECT product, serial, site_id, '', '', event_id, at, 0, recorded_at, 'accepted', '{}', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL,
         NULL, NULL, NULL, false, NULL, NULL, ${EVENT_JSON}
  FROM intake.unit_events JOIN unnest($1::text[], $2::text[]) AS given (product, serial) USING (product, serial)`

/** The histories of units across all sites, by `unitKey`; a unit of which nothing is known has an empty one. */
export async function readHistories(sql: Sql, units: readonly UnitName[]): Promise<Map<string, UnitHistory>> {
  const histories = new Map<string, UnitHistory>(units.map((unit) => [unitKey(unit), { attempts: [], events: [] }]))
  const asked = [...new Map(units.map((unit) => [unitKey(unit), unit])).values()]
  const rows = await sql.query<AttemptRow>(
    READ_HISTORIES,
    [asked.map((unit) => unit.product), asked.map((unit) => unit.serial)],
    'units_read_histories',
  )
  for (const { product, serial, unitEvent, ...attempt } of rows) {
    const history = histories.get(unitKey({ product, serial }))
    if (unitEvent === null) history?.attempts.push(attempt)
    else history?.events.push(unitEvent)
  }
  return histories
}

/**
 * The facts on which the governing runs of these histories rest, by site: few, since there is one such run per operation
 * and unit. Call with a row of the gate shared, so that no act changes them meanwhile.
 */
async function loadSupport(sql: Sql, histories: Iterable<UnitHistory>): Promise<ReadonlyMap<string, Facts>> {
  const needs = new Map<string, FactKey[]>()
  for (const run of [...histories].flatMap(({ attempts, events }) => governingRuns(attempts, events))) {
    if (run.outcome === 'accepted' || waitsForFacts(run))
      needs.set(run.site, [...(needs.get(run.site) ?? []), ...needsOfAttempt(run)])
  }
  const loaded = new Map<string, Facts>()
  for (const [site, keys] of needs) {
    loaded.set(site, await loadFacts(sql, emptyFacts(site, { version: 0, rulesVersion: 0 }), keys))
  }
  return loaded
}

/** Folds with what was loaded by `loadSupport`. */
function foldSupported(
  { attempts, events }: UnitHistory,
  operationsRequired: readonly string[],
  support: ReadonlyMap<string, Facts>,
): FoldedUnit {
  const policy: FoldPolicy = {
    operationsRequired,
    worthOf: (attempt) => {
      const facts = support.get(attempt.site)
      if (facts === undefined) throw new Error(`the support of run ${attempt.runId} was not loaded`)
      return worthOf(facts, attempt)
    },
  }
  return foldUnit(attempts, policy, events)
}

/**
 * The version that says what a product's units must go through now: the one in effect; where none is yet, the last
 * confirmed, since a unit of which nothing were required would be releasable untested.
 */
export function versionOfUnits<Version extends ConfirmedVersion>(
  versions: readonly Version[],
  now: { readonly at: number; readonly rulesVersion: number },
): Version | undefined {
  return versionInEffect(versions, now.at, now.rulesVersion) ?? versions.at(-1)
}

export interface UnitRead extends UnitName {
  readonly askedAt: number
  readonly operationsRequired: readonly string[]
  readonly folded: FoldedUnit
}

/**
 * A unit as it stands now. The serial number is read by the product's rule, as an upload's is; one that the rule does
 * not allow names no unit, which is a finding and no error.
 * @throws Problem `product-not-found`
 */
export async function readUnit(database: Database, name: UnitName): Promise<UnitRead> {
  const [unit] = await readUnits(database, [name])
  if (unit === undefined) throw new Error('one name gives one unit')
  if (unit instanceof Problem) throw unit
  return unit
}

/**
 * Units as they stand at one instant, in the order of the names, in as many statements as for one (for each further site
 * some more). A name whose product has no confirmed version gives the Problem `product-not-found` in its place.
 */
export async function readUnits(database: Database, names: readonly UnitName[]): Promise<(UnitRead | Problem)[]> {
  return await inTransaction(database, async (sql) => {
    // The house's gate: acts wait, so that the several statements see one state.
    const share = await shareGate(sql, database.clock, '*')
    if (share === undefined) throw new Error("the gate has no row '*'")
    const versions = await readVersionsByProduct(sql, [...new Set(names.map(({ product }) => product))])
    const asked = names.map((name) => {
      const version = versionOfUnits(versions.get(name.product) ?? [], share)
      return version === undefined ? { name } : { name, version, serial: serialByRule(version, name.serial) }
    })
    const units = asked.flatMap(({ name, serial }) => (serial === undefined ? [] : [{ product: name.product, serial }]))
    const histories = await readHistories(sql, units)
    const support = await loadSupport(sql, histories.values())
    return asked.map(({ name, version, serial }) => {
      if (version === undefined || serial === undefined) {
        return new Problem('product-not-found', { detail: `No version of ${name.product} is confirmed.` })
      }
      const unit = { product: name.product, serial }
      const { operationsRequired } = version.content
      const folded = foldSupported(
        histories.get(unitKey(unit)) ?? { attempts: [], events: [] },
        operationsRequired,
        support,
      )
      return { ...unit, askedAt: share.at, operationsRequired, folded }
    })
  })
}

async function readVersionsByProduct(sql: Sql, products: readonly string[]): Promise<Map<string, ConfirmedVersion[]>> {
  const byProduct = new Map<string, ConfirmedVersion[]>(products.map((product) => [product, []]))
  for (const version of await readAllConfirmedVersions(sql, products)) byProduct.get(version.product)?.push(version)
  return byProduct
}

function serialByRule({ content }: ConfirmedVersion, asSent: string): string {
  const rule = readSerialRule(content.serialRule)
  const read = 'compiled' in rule ? normaliseSerial(rule.compiled, asSent) : undefined
  return read !== undefined && 'serial' in read ? read.serial : asSent
}

export function writeUnitRelease(unit: UnitRead) {
  return {
    product: unit.product,
    serial: unit.serial,
    askedAt: writeInstant(unit.askedAt),
    operationsRequired: [...unit.operationsRequired],
    ...writeRelease(unit.folded.release),
  }
}

/** @throws Problem `unit-not-found` where nothing is known of it */
export function writeUnit(unit: UnitRead) {
  if (unit.folded.attempts.length === 0 && unit.folded.events.length === 0) {
    throw new Problem('unit-not-found', { detail: `No run of ${unit.product} ${unit.serial} is known.` })
  }
  return {
    product: unit.product,
    serial: unit.serial,
    shipState: unit.folded.shipState,
    attempts: writeAttempts(unit),
    events: unit.folded.events.map(writeUnitEvent),
    release: writeRelease(unit.folded.release),
  }
}

/** The history of a unit, every attempt in order. */
export function writeAttempts(unit: UnitRead) {
  return unit.folded.attempts.map(({ attempt, number, standing, evidence, codes }) => {
    const { uploadKey: _uploadKey, sequenceNumber: _sequenceNumber, person: _person, ...shown } = attempt
    return {
      ...shown,
      codes: [...attempt.codes, ...codes.map(({ code }) => code)],
      steps: attempt.steps?.map((step) => ({ ...step, after: [...step.after] })) ?? null,
      attempt: number,
      standing,
      evidence,
      startedAt: writeInstant(attempt.startedAt),
      receivedAt: writeInstant(attempt.receivedAt),
    }
  })
}

export function writeUnitEvent(event: UnitEvent): UnitEventWire {
  return { ...event, at: writeInstant(event.at), recordedAt: writeInstant(event.recordedAt) }
}

/** The serial number by the product's rule now; undefined where no version of the product is confirmed. */
export async function readSerial(
  sql: Sql,
  { product, serial }: UnitName,
  now: { readonly at: number; readonly rulesVersion: number },
): Promise<string | undefined> {
  const version = versionOfUnits(await readAllConfirmedVersions(sql, [product]), now)
  return version === undefined ? undefined : serialByRule(version, serial)
}
