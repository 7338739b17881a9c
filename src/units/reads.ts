import { writeInstant } from '../exact/time.ts'
import { emptyFacts, type FactKey, type Facts } from '../judging/facts.ts'
import { loadFacts } from '../judging/reads.ts'
import type { UploadCode, Verdict } from '../judging/words.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { shareGate } from '../platform/gate.ts'
import { Problem } from '../platform/problems.ts'
import { readAllConfirmedVersions, readConfirmedVersions } from '../products/reads.ts'
import { normaliseSerial, readSerialRule } from '../products/serial.ts'
import { type ConfirmedVersion, versionInEffect } from '../products/versions.ts'
import { type FoldedUnit, foldUnit, governingRuns } from './fold.ts'
import { isSuspect, needsOfAttempt } from './support.ts'
import { type Attempt, writeRelease } from './words.ts'

export interface UnitName {
  readonly product: string
  readonly serial: string
}

/** One name for a unit in maps; a key holds no newline. */
export function unitKey(unit: UnitName): string {
  return `${unit.product}\n${unit.serial}`
}

interface AttemptRow extends Attempt {
  readonly product: string
  readonly serial: string
  readonly codes: UploadCode[]
  readonly verdict: Verdict | null
}

const READ_HISTORIES = `
  SELECT product, serial, site_id AS site, station, upload_key AS "uploadKey", run_id AS "runId", started_at AS "startedAt",
         sequence_number AS "sequenceNumber", received_at AS "receivedAt", outcome, codes, purpose, verdict, operation,
         variant, plan, revision, instrument, programming, attempt_cause AS "attemptCause",
         reported_failure AS "reportedFailure"
  FROM intake.attempts JOIN unnest($1::text[], $2::text[]) AS given (product, serial) USING (product, serial)`

/** The histories of units across all sites, by `unitKey`; a unit of which nothing is known has an empty one. */
export async function readHistories(sql: Sql, units: readonly UnitName[]): Promise<Map<string, Attempt[]>> {
  const histories = new Map<string, Attempt[]>(units.map((unit) => [unitKey(unit), []]))
  const rows = await sql.query<AttemptRow>(
    READ_HISTORIES,
    [units.map((unit) => unit.product), units.map((unit) => unit.serial)],
    'units_read_histories',
  )
  for (const { product, serial, ...attempt } of rows) histories.get(unitKey({ product, serial }))?.push(attempt)
  return histories
}

/**
 * The facts on which governing runs rest, by site, all of one site in the same statements. Call with a row of the gate
 * shared, so that no act changes them meanwhile.
 */
async function loadSupport(sql: Sql, governing: readonly Attempt[]): Promise<ReadonlyMap<string, Facts>> {
  const needs = new Map<string, Set<FactKey>>()
  for (const run of governing) {
    if (run.outcome !== 'accepted') continue
    const ofSite = needs.get(run.site) ?? new Set<FactKey>()
    for (const need of needsOfAttempt(run)) ofSite.add(need)
    needs.set(run.site, ofSite)
  }
  const loaded = new Map<string, Facts>()
  for (const [site, ofSite] of needs) {
    loaded.set(site, await loadFacts(sql, emptyFacts(site, { version: 0, rulesVersion: 0 }), [...ofSite]))
  }
  return loaded
}

/** Folds with what was loaded by `loadSupport`. */
function foldSupported(
  attempts: readonly Attempt[],
  operationsRequired: readonly string[],
  support: ReadonlyMap<string, Facts>,
): FoldedUnit {
  return foldUnit(attempts, {
    operationsRequired,
    isSuspect: (attempt) => {
      const facts = support.get(attempt.site)
      if (facts === undefined) throw new Error(`the support of run ${attempt.runId} was not loaded`)
      return isSuspect(facts, attempt)
    },
  })
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
  return await inTransaction(database, async (sql) => {
    // The house's gate: acts wait, so that the several statements see one state.
    const share = await shareGate(sql, database.clock, '*')
    if (share === undefined) throw new Error("the gate has no row '*'")
    const version = versionOfUnits(await readConfirmedVersions(sql, name.product), share)
    if (version === undefined) {
      throw new Problem('product-not-found', { detail: `No version of ${name.product} is confirmed.` })
    }
    const rule = readSerialRule(version.content.serialRule)
    const read = 'compiled' in rule ? normaliseSerial(rule.compiled, name.serial) : undefined
    const serial = read !== undefined && 'serial' in read ? read.serial : name.serial
    const unit = { product: name.product, serial }
    const attempts = (await readHistories(sql, [unit])).get(unitKey(unit)) ?? []
    const { operationsRequired } = version.content
    const folded = foldSupported(attempts, operationsRequired, await loadSupport(sql, governingRuns(attempts)))
    return { ...unit, askedAt: share.at, operationsRequired, folded }
  })
}

/**
 * Many units as they stand now, by `unitKey`, in a few statements whatever their number. Serial numbers are taken as the
 * rows hold them; a unit of a product without a confirmed version is left out.
 */
export async function readUnits(
  database: Database,
  names: readonly UnitName[],
): Promise<ReadonlyMap<string, FoldedUnit>> {
  const units = [...new Map(names.map((unit) => [unitKey(unit), unit])).values()]
  if (units.length === 0) return new Map()
  return await inTransaction(database, async (sql) => {
    // As for one unit: acts wait, so that the several statements see one state.
    const share = await shareGate(sql, database.clock, '*')
    if (share === undefined) throw new Error("the gate has no row '*'")
    const products = [...new Set(units.map(({ product }) => product))]
    const versions = await readAllConfirmedVersions(sql, products)
    const histories = await readHistories(sql, units)
    const support = await loadSupport(sql, [...histories.values()].flatMap(governingRuns))
    const folded = new Map<string, FoldedUnit>()
    for (const [name, attempts] of histories) {
      const product = name.split('\n', 1)[0]
      const version = versionOfUnits(
        versions.filter((one) => one.content.product === product),
        share,
      )
      if (version !== undefined) {
        folded.set(name, foldSupported(attempts, version.content.operationsRequired, support))
      }
    }
    return folded
  })
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
  if (unit.folded.attempts.length === 0) {
    throw new Problem('unit-not-found', { detail: `No run of ${unit.product} ${unit.serial} is known.` })
  }
  return {
    product: unit.product,
    serial: unit.serial,
    attempts: unit.folded.attempts.map(({ attempt, number, standing, evidence }) => {
      const { uploadKey: _uploadKey, sequenceNumber: _sequenceNumber, ...shown } = attempt
      return {
        ...shown,
        codes: [...attempt.codes],
        attempt: number,
        standing,
        evidence,
        startedAt: writeInstant(attempt.startedAt),
        receivedAt: writeInstant(attempt.receivedAt),
      }
    }),
    release: writeRelease(unit.folded.release),
  }
}
