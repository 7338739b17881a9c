import { digestOf } from '../exact/canonical.ts'
import { permitContent } from '../plans/permit-record.ts'
import { relaxationOf } from '../plans/relax.ts'
import { type PlanContent, PlanContentWire, type RevisionState } from '../plans/words.ts'
import type { Sql } from '../platform/database/sql.ts'
import { readAllConfirmedVersions } from '../products/reads.ts'
import type { Calibration } from '../stations/calibration.ts'
import type { InstrumentAssignment } from '../stations/instrument-assignment.ts'
import type { Programming } from '../stations/programming.ts'
import { readStationChecks } from '../stations/reads-checks.ts'
import { NO_CHECKS } from '../stations/station-check.ts'
import type { StationLink } from '../stations/words.ts'
import {
  type AccessKeyFact,
  type Fact,
  type FactKey,
  type FactKind,
  type Facts,
  type InstrumentFact,
  missingNeeds,
  type ProgrammingFact,
  productFact,
  type RevisionFact,
  revisionKey,
  type SiteFact,
  type StationFact,
  withFacts,
} from './facts.ts'
import type { PermitFact } from './permits.ts'

type Loaded = Iterable<readonly [FactKey, Fact]>

/**
 * Reads what is missing of `needs` into the facts. Call with the site's gate shared in the same transaction and found at
 * the version of the facts: acts are held back then, so that several statements still see one state. Only a check may
 * appear meanwhile, and it is read together with its blocks in one statement.
 */
export async function loadFacts(sql: Sql, facts: Facts, needs: readonly FactKey[]): Promise<Facts> {
  const missing = missingNeeds(facts, [...new Set(needs)])
  if (missing.length === 0) return facts
  const keysOf = (kind: FactKind) =>
    missing.filter((key) => key.startsWith(`${kind}/`)).map((key) => key.slice(kind.length + 1))
  const entries = new Map<FactKey, Fact | null>(missing.map((key) => [key, null]))
  const take = async (kind: FactKind, load: (keys: readonly string[]) => Promise<Loaded>) => {
    const keys = keysOf(kind)
    if (keys.length === 0) return
    for (const [key, fact] of await load(keys)) entries.set(key, fact)
  }
  await take('site', (keys) => loadSites(sql, keys))
  await take('key', (keys) => loadKeys(sql, keys))
  await take('station', (keys) => loadStations(sql, keys))
  await take('instrument', (keys) => loadInstruments(sql, keys))
  await take('programming', (keys) => loadProgrammings(sql, keys))
  await take('person', (keys) => loadPersons(sql, keys))
  await take('product', (keys) => loadProducts(sql, keys))
  await take('revision', (keys) => loadRevisions(sql, facts, keys))
  return withFacts(facts, entries)
}

async function loadSites(sql: Sql, sites: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<Omit<SiteFact, 'kind'>>(
    'SELECT site, time_zone AS "timeZone", opened_at AS "openedAt" FROM governance.site WHERE site = ANY ($1)',
    [sites],
    'facts_sites',
  )
  return rows.map((row) => [`site/${row.site}`, { kind: 'site', ...row }])
}

async function loadKeys(sql: Sql, keys: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<Omit<AccessKeyFact, 'kind'>>(
    `SELECT key, revoked_at AS "revokedAt",
            ARRAY(SELECT station FROM governance.key_station s WHERE s.key = k.key ORDER BY station) AS stations
     FROM governance.access_key k WHERE key = ANY ($1)`,
    [keys],
    'facts_keys',
  )
  return rows.map((row) => [`key/${row.key}`, { kind: 'key', ...row }])
}

/** Assignments of stations or instruments; both ends of each matter to the other. */
async function loadAssignments(
  sql: Sql,
  column: 'station' | 'instrument',
  keys: readonly string[],
): Promise<InstrumentAssignment[]> {
  return await sql.query<InstrumentAssignment>(
    `SELECT station, instrument, from_at AS "from", until_at AS until, recorded_at AS "recordedAt"
     FROM governance.instrument_assignment WHERE ${column} = ANY ($1) ORDER BY from_at`,
    [keys],
    `facts_assignments_${column}`,
  )
}

async function loadStations(sql: Sql, stations: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<{ station: string; site: string; linked: StationLink }>(
    'SELECT station, site, linked FROM governance.station WHERE station = ANY ($1)',
    [stations],
    'facts_stations',
  )
  const assignments = await loadAssignments(sql, 'station', stations)
  const checks = await readStationChecks(sql, stations)
  return rows.map((row): readonly [FactKey, StationFact] => [
    `station/${row.station}`,
    {
      kind: 'station',
      ...row,
      assignments: assignments.filter((one) => one.station === row.station),
      checks: checks.get(row.station) ?? NO_CHECKS,
    },
  ])
}

async function loadInstruments(sql: Sql, instruments: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<Pick<InstrumentFact, 'instrument' | 'programs'>>(
    `SELECT instrument, nullif(capabilities -> 'programs', 'null'::jsonb) AS programs
     FROM governance.instrument WHERE instrument = ANY ($1)`,
    [instruments],
    'facts_instruments',
  )
  const assignments = await loadAssignments(sql, 'instrument', instruments)
  const calibrations = await sql.query<Calibration>(
    `SELECT calibration, instrument, performed_at AS "performedAt", due_on AS "dueOn",
       coalesce(uncertainty, '[]') AS uncertainty, recorded_at AS "recordedAt"
     FROM governance.calibration WHERE instrument = ANY ($1) ORDER BY performed_at`,
    [instruments],
    'facts_calibrations',
  )
  return rows.map((row): readonly [FactKey, InstrumentFact] => [
    `instrument/${row.instrument}`,
    {
      kind: 'instrument',
      ...row,
      assignments: assignments.filter((one) => one.instrument === row.instrument),
      calibrations: calibrations.filter((one) => one.instrument === row.instrument),
    },
  ])
}

interface ProgrammingRow extends Omit<Programming, 'ending'> {
  readonly endedAt: number | null
  readonly endedRecordedAt: number | null
  /** The programming that it was read for. */
  readonly asked: string
}

async function loadProgrammings(sql: Sql, programmings: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<ProgrammingRow>(
    `SELECT asked.programming AS asked, p.programming, p.station, p.instrument, p.programs, p.plan, p.revision,
            p.revision_digest AS "revisionDigest", p.at, p.recorded_at AS "recordedAt",
            e.at AS "endedAt", e.recorded_at AS "endedRecordedAt"
     FROM governance.programming asked
     JOIN governance.programming p ON p.instrument = asked.instrument AND p.programs && asked.programs
      AND (p.programming = asked.programming OR p.at >= asked.at)
     LEFT JOIN governance.programming_ending e ON e.programming = p.programming
     WHERE asked.programming = ANY ($1) ORDER BY p.at`,
    [programmings],
    'facts_programmings',
  )
  const facts = new Map<string, { own: Programming | undefined; others: Programming[] }>()
  for (const { asked, endedAt, endedRecordedAt, ...row } of rows) {
    const entry = facts.get(asked) ?? { own: undefined, others: [] }
    facts.set(asked, entry)
    const ending = endedAt === null || endedRecordedAt === null ? null : { at: endedAt, recordedAt: endedRecordedAt }
    const programming: Programming = { ...row, ending }
    if (row.programming === asked) entry.own = programming
    else entry.others.push(programming)
  }
  return [...facts].flatMap(([key, { own, others }]): (readonly [FactKey, ProgrammingFact])[] =>
    own === undefined ? [] : [[`programming/${key}`, { kind: 'programming', programming: own, others }]],
  )
}

async function loadPersons(sql: Sql, persons: readonly string[]): Promise<Loaded> {
  const rows = await sql.query<{ person: string }>(
    'SELECT person FROM governance.person WHERE person = ANY ($1)',
    [persons],
    'facts_persons',
  )
  return rows.map(({ person }) => [`person/${person}`, { kind: 'person', person }])
}

async function loadProducts(sql: Sql, products: readonly string[]): Promise<Loaded> {
  const versions = await readAllConfirmedVersions(sql, products)
  const known = new Set(versions.map(({ product }) => product))
  return [...known].map((product) => [
    `product/${product}`,
    productFact(
      product,
      versions.filter((version) => version.product === product),
    ),
  ])
}

interface RevisionRow {
  readonly plan: string
  readonly revision: number
  readonly digest: string
  readonly state: RevisionState
  readonly content: string
  readonly approvedAt: number | null
  readonly withdrawnFrom: number | null
  readonly inForce: { variant: string; from: number; until: number | null }[]
  readonly permits: { content: string; digest: string; from: number; until: number; blocks: string }[]
  readonly check: {
    /** The first interval begins with the check. */
    applied: { from: number | null; until: number | null; editions: string[] }[]
    from: number
    blocks: { from: number; until: number | null; causes: string[] }[]
  } | null
}

/** Milliseconds since the epoch of a column of instants with three digits, as JSON holds them. */
const ms = (column: string) => `floor(extract(epoch FROM ${column}) * 1000)::int8`

// The check and its blocks are read together: apart, a run was once accepted while blocked (architecture 2.15).
const LOAD_REVISIONS = `
  SELECT r.plan, r.revision, r.digest, r.state, r.content, r.approved_at AS "approvedAt", r.withdrawn_from AS "withdrawnFrom",
    coalesce((SELECT jsonb_agg(jsonb_build_object('variant', f.variant, 'from', ${ms('f.from_at')}, 'until', ${ms('f.until_at')}) ORDER BY f.variant)
      FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision AND f.site = $1), '[]') AS "inForce",
    (SELECT jsonb_build_object('applied', a.applied::jsonb, 'from', ${ms('c.applied_from')}, 'blocks',
        coalesce((SELECT jsonb_agg(jsonb_build_object('from', ${ms('b.from_at')}, 'until', ${ms('b.until_at')}, 'causes', b.causes::jsonb) ORDER BY b.from_at)
          FROM governance.block b WHERE b.plan = r.plan AND b.revision = r.revision AND b.rules_version = c.rules_version), '[]'))
      FROM governance.revision_check c JOIN governance.applied_editions a ON a.digest = c.applied_digest
      WHERE c.plan = r.plan AND c.revision = r.revision AND c.rules_version = $2) AS check,
    coalesce((SELECT jsonb_agg(jsonb_build_object('content', p.content, 'digest', p.digest, 'from', ${ms('p.valid_from')}, 'until', ${ms('p.valid_until')}, 'blocks', p.blocks) ORDER BY p.permit)
      FROM governance.permit p WHERE p.plan = r.plan AND p.revision = r.revision AND p.valid_from IS NOT NULL), '[]') AS permits
  FROM governance.plan_revision r
  JOIN unnest($3::text[], $4::int[]) AS given (plan, revision) USING (plan, revision)`

async function loadRevisions(sql: Sql, facts: Facts, keys: readonly string[]): Promise<Loaded> {
  const names = keys.map((key) => key.split('/'))
  const rows = await sql.query<RevisionRow>(
    LOAD_REVISIONS,
    [facts.site, facts.rulesVersion, names.map(([plan]) => plan), names.map(([, revision]) => Number(revision))],
    'facts_revisions',
  )
  return rows.map((row): readonly [FactKey, RevisionFact] => [
    revisionKey(row.plan, row.revision),
    {
      ...row,
      kind: 'revision',
      content: contentOf(row),
      check: row.check && { ...row.check, applied: appliedFrom(row.check) },
      permits: row.permits.flatMap((one) => permitFacts(one, facts.site)),
    },
  ])
}

function appliedFrom({ applied, from }: NonNullable<RevisionRow['check']>) {
  return applied.map((interval) => ({ ...interval, from: interval.from ?? from }))
}

/** A permit as it counts at a site; none where it does not. */
function permitFacts({ from, until, blocks, ...stored }: RevisionRow['permits'][number], site: string): PermitFact[] {
  const content = permitContent({ ...stored, permit: 'of a revision' })
  if (content.sites && !content.sites.includes(site)) return []
  return [{ permit: content.permit, relaxation: relaxationOf(content), from, until, blocks: JSON.parse(blocks) }]
}

/** Contents by digest: they never change, and compiled revisions hang on the object. */
const contents = new Map<string, PlanContent>()
const CONTENTS_MAX = 2_000

function contentOf(row: RevisionRow): PlanContent {
  const known = contents.get(row.digest)
  if (known !== undefined) return known
  // Asserted on the way back from storage as well: nothing is judged by what was not signed, or does not fit its schema.
  if (digestOf(row.content) !== row.digest) {
    throw new Error(`the stored content of revision ${row.revision} of ${row.plan} has lost its digest`)
  }
  const content = PlanContentWire.parse(JSON.parse(row.content))
  if (contents.size >= CONTENTS_MAX) contents.delete(contents.keys().next().value ?? '')
  contents.set(row.digest, content)
  return content
}
