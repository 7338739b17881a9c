import { readFileSync } from 'node:fs'
import pg from 'pg'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { keyKinds, roles } from '../src/access/words.ts'
import { profileStates } from '../src/csv/words.ts'
import { listedOutcomes } from '../src/intake/answer-words.ts'
import { batchReasons } from '../src/intake/batch-words.ts'
import { outcomes, purposes, readingSources, verdicts } from '../src/judging/words.ts'
import { revisionCheckVerdicts, severities } from '../src/plans/findings.ts'
import { permitStates } from '../src/plans/permit-words.ts'
import { revisionStates } from '../src/plans/words.ts'
import { versionStates } from '../src/products/words.ts'
import { impactStates } from '../src/rules/impacts.ts'
import { editionStates } from '../src/rules/record.ts'
import { stationLinks } from '../src/stations/words.ts'
import { studyStates } from '../src/studies/words.ts'
import { unitEvents } from '../src/units/event-words.ts'
import { createTestDatabase, type TestDatabase } from './support/database.ts'
import { NO_DRIFT, schemaDrift } from './support/schema-drift.ts'

/** Tables whose rows change, and what the service does to them beyond adding; every other table is only added to. */
const STATE_TABLES: Readonly<Record<string, 'UPDATE' | 'DELETE'>> = {
  'governance.access_key': 'UPDATE',
  'governance.edition_impact': 'UPDATE',
  'governance.in_force': 'UPDATE',
  'governance.one_time_secret': 'UPDATE',
  'governance.permit': 'UPDATE',
  'governance.plan_revision': 'UPDATE',
  'governance.presence': 'UPDATE',
  'governance.product_version': 'UPDATE',
  'governance.rule_edition': 'UPDATE',
  'governance.rule_table': 'UPDATE',
  'governance.sequencer': 'UPDATE',
  'governance.station_profile': 'UPDATE',
  'governance.study': 'UPDATE',
  'intake.gate': 'UPDATE',
  'intake.ledger_pending': 'DELETE',
  'intake.permit_counts': 'UPDATE',
  'intake.units': 'UPDATE',
}

/** The list in the code that each CHECK on a list of words repeats. */
const WORD_CHECKS: Readonly<Record<string, readonly string[]>> = {
  access_key_kind: keyKinds,
  attempts_outcome: outcomes,
  corrections_verdict_before: verdicts,
  corrections_verdict_after: verdicts,
  unit_events_event: unitEvents,
  batch_ends_reason: Object.keys(batchReasons),
  edition_impact_state: impactStates,
  finding_severity: severities,
  permit_state: permitStates,
  person_roles: roles,
  plan_revision_state: revisionStates,
  product_version_state: versionStates,
  revision_check_verdict: revisionCheckVerdicts,
  rule_edition_state: editionStates,
  // A rejected upload has no row there.
  runs_outcome: outcomes.filter((outcome) => outcome !== 'rejected'),
  runs_purpose: purposes,
  runs_source: readingSources,
  runs_verdict: verdicts,
  station_linked: stationLinks,
  station_profile_state: profileStates,
  study_state: studyStates,
  uploads_outcome: listedOutcomes,
}

const PARTITIONED = ['ledger_entries', 'readings', 'runs', 'uploads']

const schema = readFileSync(new URL('../prisma/schema.prisma', import.meta.url), 'utf8')
let database: TestDatabase
let owner: pg.Client
let service: pg.Client

beforeAll(async () => {
  database = await createTestDatabase()
  owner = await connected(database.ownerUrl)
  service = await connected(database.serviceUrl)
  for (const parent of PARTITIONED) {
    await service.query('SELECT intake.make_partition($1, $2)', [parent, '2026-03-01'])
  }
})

afterAll(async () => {
  await owner.end()
  await service.end()
  await database.drop()
})

async function connected(url: string): Promise<pg.Client> {
  const client = new pg.Client({ connectionString: url })
  await client.connect()
  return client
}

/** First columns of the rows, as text. */
async function names(sql: string): Promise<string[]> {
  const { rows } = await owner.query<[string]>({ text: sql, rowMode: 'array' })
  return rows.map(([name]) => name)
}

/** Every table of ours, partitions included, as `schema.table`. */
function tables(): Promise<string[]> {
  return names(
    `SELECT relnamespace::regnamespace || '.' || relname FROM pg_class
     WHERE relnamespace IN ('governance'::regnamespace, 'intake'::regnamespace) AND relkind IN ('r', 'p') ORDER BY 1`,
  )
}

describe('schema.prisma', () => {
  test('says what the migrations made', async () => {
    expect(await schemaDrift(database.ownerUrl, schema)).toBe(NO_DRIFT)
  })

  test.each([
    ['a column more', 'ALTER TABLE governance.site ADD COLUMN note text', 'DROP COLUMN "note"'],
    ['a column less', 'ALTER TABLE governance.site DROP COLUMN name', 'ADD COLUMN     "name" TEXT NOT NULL'],
    ['another type', 'ALTER TABLE governance.used_code ALTER COLUMN time_step TYPE integer', '"time_step"'],
    ['finer instants', 'ALTER TABLE governance.site ALTER COLUMN opened_at TYPE timestamptz(6)', 'TIMESTAMPTZ(3)'],
    ['a column that may be empty', 'ALTER TABLE governance.site ALTER COLUMN name DROP NOT NULL', 'SET NOT NULL'],
    ['a default', 'ALTER TABLE governance.site ALTER COLUMN recorded_at SET DEFAULT now()', 'DROP DEFAULT'],
    ['a table more', 'CREATE TABLE governance.extra (extra text PRIMARY KEY)', 'DROP TABLE "governance"."extra"'],
    ['a table less', 'DROP TABLE governance.finding', 'CREATE TABLE "governance"."finding"'],
    ['no primary key', 'ALTER TABLE governance.block DROP CONSTRAINT block_pkey', 'PRIMARY KEY'],
    ['no foreign key', 'ALTER TABLE governance.station DROP CONSTRAINT station_site_fkey', 'station_site_fkey'],
    ['an index less', 'DROP INDEX governance.station_site', 'CREATE INDEX "station_site"'],
    ['an index more', 'CREATE INDEX extra ON governance.plan (operation)', 'DROP INDEX "governance"."extra"'],
    ['an index that is not unique', 'DROP INDEX governance.product_version_rules_version', 'CREATE UNIQUE INDEX'],
  ])('is compared so that %s is seen', async (_, change, difference) => {
    const changed = await createTestDatabase()
    try {
      const client = await connected(changed.ownerUrl)
      await client.query(change)
      await client.end()
      expect(await schemaDrift(changed.ownerUrl, schema)).toContain(difference)
    } finally {
      await changed.drop()
    }
  })
})

describe('words', () => {
  test('stand in each CHECK as in the code', async () => {
    // Compound conditions speak of several columns; a CHECK on a list speaks of one, as `= ANY` or, for arrays, `<@`.
    const { rows } = await owner.query<{ name: string; definition: string }>(
      `SELECT conname AS name, pg_get_constraintdef(oid) AS definition FROM pg_constraint
       WHERE contype = 'c' AND connamespace IN ('governance'::regnamespace, 'intake'::regnamespace)
         AND conislocal AND NOT EXISTS (SELECT FROM pg_class WHERE pg_class.oid = conrelid AND relispartition)
         AND cardinality(conkey) = 1 AND pg_get_constraintdef(oid) ~ '(= ANY \\(|<@ )+ARRAY\\['`,
    )
    const inSql = rows.map(({ name, definition }) => [name, wordsOf(definition).sort()])
    const inCode = Object.entries(WORD_CHECKS).map(([name, words]) => [name, [...words].sort()])
    expect(Object.fromEntries(inSql)).toEqual(Object.fromEntries(inCode))
  })

  test('are refused where they stand in no list', async () => {
    const insert = `INSERT INTO governance.station (station, site, name, linked, recorded_at, recorded_by)
                    VALUES ('a', 'a', 'a', 'wired', now(), 'a')`
    await expect(owner.query(insert)).rejects.toMatchObject({ code: '23514', constraint: 'station_linked' })
  })
})

function wordsOf(definition: string): string[] {
  return [...definition.matchAll(/'((?:[^']|'')*)'::text/g)].map(([, word = '']) => word)
}

describe('governance', () => {
  test('has no defaults: every instant comes through the one clock', async () => {
    const withDefault = await names(
      `SELECT adrelid::regclass || '.' || attname FROM pg_attrdef JOIN pg_attribute ON attrelid = adrelid AND attnum = adnum
       JOIN pg_class ON pg_class.oid = adrelid WHERE relnamespace IN ('governance'::regnamespace, 'intake'::regnamespace)`,
    )
    expect(withDefault).toEqual([])
  })

  describe('in_force', () => {
    let admin: pg.Client
    beforeAll(async () => {
      admin = await connected(database.adminUrl)
      // Without foreign keys, so that the rows need no plans and sites.
      await admin.query('SET session_replication_role = replica')
    })
    afterAll(() => admin.end())

    const insert = (row: Record<string, unknown>) => {
      const whole = { plan: 'p', revision: 1, product: 'EX36', variant: '', operation: 'final', site: 'leeds', ...row }
      const columns = Object.keys(whole)
      return admin.query(
        `INSERT INTO governance.in_force (${columns.join(', ')}) VALUES (${columns.map((_, index) => `$${index + 1}`).join(', ')})`,
        Object.values(whole),
      )
    }

    test('holds one revision of any plan at a time for variant, operation and site', async () => {
      await insert({ from_at: '2026-03-01Z', until_at: '2026-04-01Z' })
      const overlaps = { from_at: '2026-03-31T23:59:59.999Z', until_at: null }
      const refused = { code: '23P01', constraint: 'in_force_one' }
      await expect(insert({ ...overlaps, revision: 2 })).rejects.toMatchObject(refused)
      await expect(insert({ ...overlaps, plan: 'q' })).rejects.toMatchObject(refused)
    })

    test('lets the next begin where the last ends, and others stand beside it', async () => {
      await insert({ revision: 3, from_at: '2026-04-01Z', until_at: null })
      await insert({ revision: 4, from_at: '2026-03-01Z', until_at: null, variant: 'EX36-3M' })
      await insert({ revision: 5, from_at: '2026-03-01Z', until_at: null, operation: 'rework' })
      await insert({ revision: 6, from_at: '2026-03-01Z', until_at: null, site: 'osaka' })
      const emptied = { revision: 7, from_at: '2026-05-01Z', until_at: '2026-05-01Z' }
      expect(await insert(emptied)).toMatchObject({ rowCount: 1 })
    })
  })
})

describe('intake', () => {
  test('has keys that begin with the site, so that it can be spread by site', async () => {
    const first = await owner.query<{ name: string; first: string | null }>(
      `SELECT relname AS name, (
         SELECT attname FROM pg_index JOIN pg_attribute ON attrelid = indrelid AND attnum = indkey[0]
         WHERE indrelid = pg_class.oid AND indisprimary) AS first
       FROM pg_class WHERE relnamespace = 'intake'::regnamespace AND relkind IN ('r', 'p') ORDER BY 1`,
    )
    expect(first.rows.length).toBeGreaterThanOrEqual(12)
    expect(first.rows.filter((row) => row.first !== 'site_id')).toEqual([])
    // Citus enforces uniqueness only where the column of distribution takes part.
    const unique = await names(
      `SELECT indexrelid::regclass FROM pg_index JOIN pg_class ON pg_class.oid = indrelid
       JOIN pg_attribute ON attrelid = indrelid AND attname = 'site_id'
       WHERE relnamespace = 'intake'::regnamespace AND indisunique AND attnum <> ALL (indkey)`,
    )
    expect(unique).toEqual([])
  })

  test('has no foreign keys, to it, from it or inside it, and no triggers', async () => {
    const foreign = await names(
      `SELECT conname FROM pg_constraint WHERE contype = 'f' AND 'intake'::regnamespace IN
         ((SELECT relnamespace FROM pg_class WHERE oid = conrelid), (SELECT relnamespace FROM pg_class WHERE oid = confrelid))`,
    )
    const triggers = await names(
      `SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid WHERE relnamespace = 'intake'::regnamespace`,
    )
    expect({ foreign, triggers }).toEqual({ foreign: [], triggers: [] })
  })

  test('has four tables by month, none with a partition for the rest', async () => {
    const parents = await owner.query<{ name: string; rest: number }>(
      `SELECT relname AS name, partdefid::int AS rest FROM pg_partitioned_table JOIN pg_class ON oid = partrelid ORDER BY 1`,
    )
    expect(parents.rows).toEqual(PARTITIONED.map((name) => ({ name, rest: 0 })))
    const partitions = await names(`SELECT relname FROM pg_class WHERE relispartition AND relkind = 'r' ORDER BY 1`)
    expect(partitions).toEqual(PARTITIONED.map((name) => `${name}_y2026m03`))
  })
})

describe('the service role', () => {
  const refused = { code: '42501' } // insufficient_privilege

  /** How a statement that touches no row ends: permissions are asked all the same. */
  async function attempt(sql: string): Promise<'done' | 'refused'> {
    try {
      await service.query(sql)
      return 'done'
    } catch (error) {
      if (error instanceof pg.DatabaseError && error.code === refused.code) return 'refused'
      throw error
    }
  }

  async function tried(): Promise<{ table: string; update: string; delete: string; truncate: string }[]> {
    const results = []
    for (const table of await tables()) {
      const [column = ''] = await names(
        `SELECT quote_ident(attname) FROM pg_attribute WHERE attrelid = '${table}'::regclass AND attnum = 1`,
      )
      results.push({
        table,
        update: await attempt(`UPDATE ${table} SET ${column} = ${column} WHERE false`),
        delete: await attempt(`DELETE FROM ${table} WHERE false`),
        truncate: await attempt(`TRUNCATE ${table}`),
      })
    }
    return results
  }

  test('may change and delete only where a state is kept, and empties nothing', async () => {
    const expected = (await tables()).map((table) => ({
      table,
      update: STATE_TABLES[table] === 'UPDATE' ? 'done' : 'refused',
      delete: STATE_TABLES[table] === 'DELETE' ? 'done' : 'refused',
      truncate: 'refused',
    }))
    expect(expected.filter(({ table }) => STATE_TABLES[table] !== undefined)).toHaveLength(
      Object.keys(STATE_TABLES).length,
    )
    expect(await tried()).toEqual(expected)
  })

  test('may add and read everywhere, and reaches partitions only through their parent', async () => {
    const parts = new Set(PARTITIONED.map((name) => `intake.${name}_y2026m03`))
    for (const table of await tables()) {
      const expected = parts.has(table) ? 'refused' : 'done'
      expect([table, await attempt(`SELECT FROM ${table} LIMIT 0`)]).toEqual([table, expected])
      const insert = `INSERT INTO ${table} SELECT * FROM ${table} WHERE false`
      expect([table, await attempt(insert)]).toEqual([table, expected])
    }
  })

  test.each([
    'DROP TABLE governance.finding',
    'ALTER TABLE intake.runs ADD COLUMN note text',
    'ALTER TABLE intake.runs DETACH PARTITION intake.runs_y2026m03',
    'DROP TABLE intake.runs_y2026m03',
    'CREATE TABLE governance.extra (extra text)',
    'CREATE TABLE intake.extra (extra text)',
    'CREATE FUNCTION intake.extra() RETURNS integer LANGUAGE sql AS $$ SELECT 1 $$',
    "UPDATE public._prisma_migrations SET checksum = ''",
    'SET session_replication_role = replica',
    'SET ROLE limitkeep_owner',
  ])('may not %s', async (sql) => {
    await expect(service.query(sql)).rejects.toMatchObject(refused)
  })
})
