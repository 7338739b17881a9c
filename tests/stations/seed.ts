import type { PersonActor } from '../../src/access/words.ts'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import type { PlanContent } from '../../src/plans/words.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { timestamptzText } from '../../src/platform/database/sql.ts'
import { Problem } from '../../src/platform/problems.ts'
import {
  assignInstrument,
  createInstrument,
  createSite,
  createStation,
  recordCalibration,
} from '../../src/stations/acts.ts'
import { ex36 } from '../support/aldermoor.ts'
import { insertKeys } from '../support/keys.ts'
import { capable, ex36Final } from './facts.ts'

/**
 * Rows of the rooms below, written straight into their tables, so that these tests rest on the schema alone. The sites,
 * stations and instruments are made by the real acts.
 */

export const administrator: PersonActor = { kind: 'person', key: 'k1', person: 'P-0001', roles: ['administrator'] }
export const keyer: PersonActor = { kind: 'person', key: 'k2', person: 'P-0398', roles: [] }
export const reader: PersonActor = { kind: 'person', key: 'k3', person: 'P-0417', roles: [] }

/** Two sites, three stations, two instruments, a calibration, and two technicians. Opened at `openedAt`. */
export async function seedStations(database: Database, openedAt: string): Promise<void> {
  await database.sql.query(
    `INSERT INTO governance.person (person, name, roles, recorded_at, recorded_by)
     SELECT p, 'Technician', '{}', $1, 'service' FROM unnest($2::text[]) p`,
    [openedAt, [keyer.person, reader.person]],
  )
  await insertKeys(database, [administrator, keyer, reader])
  await createSite(database, administrator, { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt })
  await createSite(database, administrator, { site: 'osaka', name: 'Osaka', timeZone: 'Asia/Tokyo', openedAt })
  for (const [station, site] of [
    ['LDS-F2', 'leeds'],
    ['LDS-F3', 'leeds'],
    ['OSA-A1', 'osaka'],
  ] as const) {
    await createStation(database, administrator, { station, site, name: `Final test ${station}`, linked: 'automatic' })
  }
  await createInstrument(database, administrator, { instrument: 'INS-0031', name: 'Tester 31', capabilities: capable })
  const kinds = capable.kinds
  await createInstrument(database, administrator, {
    instrument: 'INS-0040',
    name: 'Tester 40',
    capabilities: { kinds },
  })
  await assignInstrument(database, administrator, 'LDS-F2', { instrument: 'INS-0031', from: openedAt })
  const calibration = {
    calibration: 'CAL-2026-0118',
    instrument: 'INS-0031',
    performedAt: openedAt,
    dueOn: '2026-12-31',
  }
  await recordCalibration(database, administrator, calibration)
}

/** Version 3 of EX36, confirmed at `at`. */
export async function seedProduct(database: Database, at: number): Promise<void> {
  const content = canonicalText(ex36())
  await database.sql.query("INSERT INTO governance.product (product, recorded_at) VALUES ('EX36', $1)", [text(at)])
  await database.sql.query(
    `INSERT INTO governance.product_version (product, version, state, content, digest, authors, created_at,
       confirmed_at, confirmed_by, confirmed_meaning, effective_from, rules_version)
     VALUES ('EX36', 3, 'confirmed', $1, $2, '{P-0100}', $3, $3, 'P-0101', 'confirmed', $4, 0)`,
    [content, digestOf(content), text(at), text(at + 1)],
  )
  await database.sql.query(
    "INSERT INTO governance.plan (plan, product, operation, recorded_at) VALUES ('ex36-final', 'EX36', 'final', $1)",
    [text(at)],
  )
}

export interface RevisionSeed {
  readonly revision: number
  readonly approvedAt: number
  readonly from: number
  readonly until?: number
  readonly sites?: readonly string[]
  readonly state?: 'draft' | 'approved'
  readonly blockedFrom?: number
  readonly editions?: readonly string[]
  readonly change?: (content: PlanContent) => void
}

/** A revision of ex36-final, in force for both variants, checked at rules version 0. Gives its digest. */
export async function seedRevision(database: Database, seed: RevisionSeed): Promise<string> {
  const { revision, approvedAt, from } = seed
  const content = ex36Final((made) => {
    made.revision = revision
    seed.change?.(made)
  })
  const canonical = canonicalText(content)
  const digest = digestOf(canonical)
  const isApproved = seed.state !== 'draft'
  await database.sql.query(
    `INSERT INTO governance.plan_revision (plan, revision, state, product, product_version, content, digest, authors,
       created_at, approved_at, approved_by, approved_meaning, in_force_from, approved_version)
     VALUES ('ex36-final', $1, $2, 'EX36', 3, $3, $4, '{P-0100}', $5, $6, $7, $8, $9, $10)`,
    isApproved
      ? [
          revision,
          'approved',
          canonical,
          digest,
          text(approvedAt),
          text(approvedAt),
          'P-0101',
          'approved',
          text(from),
          0,
        ]
      : [revision, 'draft', canonical, digest, text(approvedAt), null, null, null, null, null],
  )
  for (const site of isApproved ? (seed.sites ?? ['leeds']) : []) {
    await database.sql.query(
      `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at, until_at)
       SELECT 'ex36-final', $1, 'EX36', v, 'final', $2, $3, $4 FROM unnest('{EX36-3M,EX36-5M}'::text[]) v`,
      [revision, site, text(from), seed.until === undefined ? null : text(seed.until)],
    )
  }
  await database.sql.query(
    `WITH editions AS (INSERT INTO governance.applied_editions (digest, applied, editions)
       VALUES (array_to_string($2::text[], ' '), '[]', $2) ON CONFLICT DO NOTHING)
     INSERT INTO governance.revision_check (plan, revision, rules_version, verdict, applied_digest, applied_from,
       blocking_count, warning_count, digest, checked_at)
     VALUES ('ex36-final', $1, 0, 'conforms', array_to_string($2::text[], ' '), $3, 0, 0, '', $3)`,
    [revision, seed.editions ?? [], text(approvedAt)],
  )
  if (seed.blockedFrom !== undefined) {
    await database.sql.query(
      `INSERT INTO governance.block (plan, revision, rules_version, from_at, cause_version, causes)
       VALUES ('ex36-final', $1, 0, $2, 0, '[]')`,
      [revision, text(seed.blockedFrom)],
    )
  }
  return digest
}

export interface GateChange {
  readonly site: string
  readonly kind: string
  readonly key: string
}

/** The gate's versions by site, and what acts touched after `since`. */
export async function gateState(database: Database, since: Readonly<Record<string, number>> = {}) {
  const rows = await database.sql.query<{ site: string; version: number }>(
    'SELECT site_id AS site, version FROM intake.gate ORDER BY site_id',
  )
  const changes = await database.sql.query<GateChange & { version: number }>(
    'SELECT site_id AS site, version, kind, key FROM intake.gate_changes ORDER BY site_id, version, kind, key',
  )
  return {
    versions: Object.fromEntries(rows.map(({ site, version }) => [site, version])),
    changes: changes
      .filter(({ site, version }) => version > (since[site] ?? 0))
      .map(({ site, kind, key }) => `${site} ${kind} ${key}`),
  }
}

/** What the ledger says was done, oldest first. */
export async function ledger(database: Database): Promise<Record<string, unknown>[]> {
  const rows = await database.sql.query<{ content: string }>(
    'SELECT content FROM intake.ledger_entries ORDER BY recorded_at, entry_id',
  )
  return rows.map(({ content }) => JSON.parse(content))
}

/** The problem that an act throws, with the pointers it names. Throws where it was not refused, or by a bug. */
export async function refused(act: Promise<unknown>): Promise<{ key: string; pointers: string[] }> {
  try {
    await act
  } catch (error) {
    if (!(error instanceof Problem)) throw error
    return { key: error.key, pointers: (error.errors ?? []).map(({ pointer }) => pointer) }
  }
  throw new Error('the act was not refused')
}

function text(at: number): string {
  return timestamptzText(at)
}
