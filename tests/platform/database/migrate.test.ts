import { createHash } from 'node:crypto'
import { appendFile, mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import pg from 'pg'
import { afterEach, beforeEach, describe, expect, test } from 'vitest'
import { applyGrants } from '../../../src/platform/database/grants.ts'
import { migrate } from '../../../src/platform/database/migrate.ts'
import { type Log, silentLog } from '../../../src/platform/log.ts'
import { migrationsDirectory } from '../../support/cluster.ts'
import { createTestDatabase, type TestDatabase } from '../../support/database.ts'

let urls: TestDatabase
let directory: string
beforeEach(async () => {
  urls = await createTestDatabase('template1')
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-migrations-'))
})
afterEach(async () => {
  await urls.drop()
  await rm(directory, { recursive: true, force: true })
})

async function write(name: string, sql: string): Promise<void> {
  await mkdir(join(directory, name))
  await writeFile(join(directory, name, 'migration.sql'), sql)
}

async function ask<Row extends pg.QueryResultRow>(text: string, url = urls.ownerUrl): Promise<Row[]> {
  const client = new pg.Client({ connectionString: url })
  await client.connect()
  try {
    return (await client.query<Row>(text)).rows
  } finally {
    await client.end()
  }
}

const run = (log: Log = silentLog) => migrate({ ownerUrl: urls.ownerUrl, directory, log })
const recorded = () =>
  ask(
    `SELECT migration_name, checksum, finished_at IS NOT NULL AS finished, rolled_back_at IS NOT NULL AS rolled_back, logs,
            applied_steps_count AS steps FROM _prisma_migrations ORDER BY started_at`,
  )

describe('migrations', () => {
  test('are applied in the order of their names, once, and recorded as Prisma records them', async () => {
    const second = 'INSERT INTO one VALUES (2);\n-- a file of several statements\nINSERT INTO one VALUES (3);\n'
    await write('20260102_second', second)
    await write('20260101_first', 'CREATE TABLE one (n int);')
    expect(await run()).toEqual({ applied: ['20260101_first', '20260102_second'] })
    expect(await run()).toEqual({ applied: [] })
    await write('20260103_third', 'INSERT INTO one VALUES (4)')
    expect(await run()).toEqual({ applied: ['20260103_third'] })
    expect(await ask('SELECT n FROM one ORDER BY n')).toEqual([{ n: 2 }, { n: 3 }, { n: 4 }])
    expect((await recorded())[1]).toEqual({
      migration_name: '20260102_second',
      checksum: createHash('sha256').update(second).digest('hex'),
      finished: true,
      rolled_back: false,
      logs: null,
      steps: 1,
    })
  })

  test('the bookkeeping table has the columns of Prisma', async () => {
    await run()
    // As the engine of Prisma 7 makes them (from memory, verify).
    expect(
      await ask(
        `SELECT column_name AS name, data_type AS type, character_maximum_length AS length, is_nullable AS nullable, column_default AS "default"
         FROM information_schema.columns WHERE table_name = '_prisma_migrations' ORDER BY ordinal_position`,
      ),
    ).toEqual([
      { name: 'id', type: 'character varying', length: 36, nullable: 'NO', default: null },
      { name: 'checksum', type: 'character varying', length: 64, nullable: 'NO', default: null },
      { name: 'finished_at', type: 'timestamp with time zone', length: null, nullable: 'YES', default: null },
      { name: 'migration_name', type: 'character varying', length: 255, nullable: 'NO', default: null },
      { name: 'logs', type: 'text', length: null, nullable: 'YES', default: null },
      { name: 'rolled_back_at', type: 'timestamp with time zone', length: null, nullable: 'YES', default: null },
      { name: 'started_at', type: 'timestamp with time zone', length: null, nullable: 'NO', default: 'now()' },
      { name: 'applied_steps_count', type: 'integer', length: null, nullable: 'NO', default: '0' },
    ])
  })

  test('twenty processes that start at once apply each migration once', async () => {
    const runs = await Promise.all(
      Array.from({ length: 20 }, () =>
        migrate({ ownerUrl: urls.ownerUrl, directory: migrationsDirectory, log: silentLog }),
      ),
    )
    const applied = runs.flatMap((result) => result.applied)
    expect(applied.length).toBeGreaterThan(2)
    expect(new Set(applied).size).toBe(applied.length)
    expect((await recorded()).map((row) => row['migration_name'])).toEqual(applied)
  })

  test('one that fails leaves nothing, says the line, and is tried again once mended', async () => {
    await write(
      '20260101_first',
      'CREATE TABLE one (n int);\nINSERT INTO one VALUES (1);\nINSERT INTO two VALUES (1);\n',
    )
    await expect(run()).rejects.toThrow(
      /20260101_first failed and was rolled back: .*"two" does not exist.* \(line 3\)/,
    )
    expect(await ask("SELECT to_regclass('one') AS one")).toEqual([{ one: null }])
    expect(await recorded()).toMatchObject([
      { finished: false, rolled_back: true, logs: expect.stringContaining('"two"'), steps: 0 },
    ])
    await expect(run()).rejects.toThrow('"two" does not exist')
    await ask('CREATE TABLE two (n int)')
    expect(await run()).toEqual({ applied: ['20260101_first'] })
    expect(await ask('SELECT n FROM one')).toEqual([{ n: 1 }])
  })

  test('a file that ends its transaction is refused, since half of it could stay', async () => {
    await write('20260101_first', 'CREATE TABLE one (n int); ROLLBACK;')
    await expect(run()).rejects.toThrow('20260101_first')
    expect(await ask("SELECT to_regclass('one') AS one")).toEqual([{ one: null }])
  })

  test('an applied file that was edited stops the start', async () => {
    await write('20260101_first', 'CREATE TABLE one (n int);')
    await run()
    await appendFile(join(directory, '20260101_first', 'migration.sql'), '-- better\n')
    await expect(run()).rejects.toThrow('20260101_first was edited after it had been applied')
  })

  test('one that another tool began and did not finish stops the start, with its log', async () => {
    await run()
    await ask(
      "INSERT INTO _prisma_migrations (id, checksum, migration_name, logs) VALUES ('x', 'y', '20260101_first', 'it broke')",
    )
    await expect(run()).rejects.toThrow(/20260101_first was begun and not finished: it broke/)
  })

  test('one of a newer release is warned of, and does not stop', async () => {
    await run()
    await ask(
      "INSERT INTO _prisma_migrations (id, checksum, migration_name, finished_at) VALUES ('x', 'y', '20990101_new', now())",
    )
    const warned: object[] = []
    await run({ ...silentLog, warn: (fields) => warned.push(fields) })
    expect(warned).toEqual([{ migration: '20990101_new' }])
  })
})

describe('grants', () => {
  const grant = (options: { ownerUrl?: string; serviceUrl?: string } = {}) => applyGrants({ ...urls, ...options })
  beforeEach(() => migrate({ ownerUrl: urls.ownerUrl, directory: migrationsDirectory, log: silentLog }))

  test('the service adds and reads; it changes states alone, and takes nothing away but pending ledger rows', async () => {
    expect(await grant()).toEqual({ appendOnly: 'enforced' })
    const rights = await ask<{ name: string; rights: string }>(
      `SELECT n.nspname || '.' || c.relname AS name,
              concat_ws(' ', CASE WHEN has_table_privilege(c.oid, 'SELECT') THEN 'S' END, CASE WHEN has_table_privilege(c.oid, 'INSERT') THEN 'I' END,
                CASE WHEN has_table_privilege(c.oid, 'UPDATE') THEN 'U' END, CASE WHEN has_table_privilege(c.oid, 'DELETE') THEN 'D' END,
                CASE WHEN has_table_privilege(c.oid, 'TRUNCATE') THEN 'T' END) AS rights
       FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace
       WHERE nspname IN ('governance', 'intake') AND relkind IN ('r', 'p') ORDER BY 1`,
      urls.serviceUrl,
    )
    const more: Record<string, string> = {
      'governance.access_key': 'S I U',
      'governance.block': 'S I U',
      'governance.edition_impact': 'S I U',
      'governance.in_force': 'S I U',
      'governance.one_time_secret': 'S I U',
      'governance.permit': 'S I U',
      'governance.plan_revision': 'S I U',
      'governance.presence': 'S I U',
      'governance.product_version': 'S I U',
      'governance.rule_edition': 'S I U',
      'governance.rule_table': 'S I U',
      'governance.sequencer': 'S I U',
      'governance.station_profile': 'S I U',
      'governance.study': 'S I U',
      'governance.ticker': 'S I U',
      'intake.gate': 'S I U',
      'intake.permit_counts': 'S I U',
      'intake.units': 'S I U',
      'intake.ledger_pending': 'S I D',
    }
    expect(rights.length).toBeGreaterThan(20)
    for (const row of rights) {
      expect(row).toEqual({ name: row.name, rights: more[row.name] ?? 'S I' })
    }
    // The gate is locked as acts lock it.
    await ask('BEGIN; LOCK TABLE intake.gate IN EXCLUSIVE MODE; COMMIT', urls.serviceUrl)
  })

  test('six processes may apply them at once', async () => {
    expect(await Promise.all([1, 2, 3, 4, 5, 6].map(() => grant()))).toEqual(Array(6).fill({ appendOnly: 'enforced' }))
  })

  test('an owner, a superuser and a member of the owner are not held to appending, and it is said', async () => {
    expect(await grant({ serviceUrl: urls.ownerUrl })).toEqual({ appendOnly: 'not-enforced' })
    expect(await grant({ serviceUrl: urls.adminUrl })).toEqual({ appendOnly: 'not-enforced' })
    const member = `member_${urls.name}`
    await ask(`CREATE ROLE ${member} LOGIN PASSWORD 'm' NOINHERIT IN ROLE limitkeep_owner`, urls.adminUrl)
    try {
      const serviceUrl = urls.adminUrl.replace(/\/\/[^@]+@/, `//${member}:m@`)
      expect(await grant({ serviceUrl })).toEqual({ appendOnly: 'not-enforced' })
    } finally {
      await ask(`DROP OWNED BY ${member}; DROP ROLE ${member}`, urls.adminUrl)
    }
  })

  test('a right given beside them is found', async () => {
    await grant()
    await ask('SELECT intake.make_partition($$runs$$, DATE $$2026-03-01$$)')
    await ask('GRANT DELETE ON intake.runs_y2026m03 TO limitkeep_app')
    expect(await grant()).toEqual({ appendOnly: 'not-enforced' })
  })
})
