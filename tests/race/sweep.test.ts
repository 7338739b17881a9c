import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { fileURLToPath } from 'node:url'
import pg from 'pg'
import { afterAll, afterEach, beforeAll, describe, expect, test, vi } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { checkPageBehind, ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { getSweep } from '../../src/plans/reads-sweep.ts'
import type { RevisionKey } from '../../src/plans/record.ts'
import { timestamptzText } from '../../src/platform/database/sql.ts'
import { type Line, openWorks, refusalOf, type Works } from '../plans/works.ts'

/**
 * The sweep at scale: what a publication does under the gate does not grow with the revisions, and the sweep after it
 * gives the same rows whether one process makes it, three at once, or one after another was killed.
 */

const REVISIONS = 2_000
/** One in twenty accepts 9 A, where the rule will demand 10 A. */
const NOT_CONFORMING_EVERY = 20
const BLOCKED = REVISIONS / NOT_CONFORMING_EVERY

let works: Works
let line: Line
let admin: pg.Client
/** The edition published last. */
let edition = 0
beforeAll(async () => {
  works = await openWorks({ poolMax: 8 })
  line = await works.line()
  admin = new pg.Client({ connectionString: works.urls.adminUrl })
  await admin.connect()
})
afterAll(async () => {
  await admin?.end()
  await works?.close()
})

const children: ChildProcess[] = []
afterEach(async () => {
  await Promise.all(children.splice(0).map(kill))
})

async function startChild(pace: 'as-the-service' | 'slowly'): Promise<ChildProcess> {
  const script = fileURLToPath(new URL('../support/sweep-child.ts', import.meta.url))
  const child = spawn(process.execPath, ['--import', 'tsx', script, works.urls.serviceUrl, pace], {
    cwd: fileURLToPath(new URL('../..', import.meta.url)),
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  children.push(child)
  const [first] = await once(child.stdout, 'data')
  expect(String(first)).toBe('begun\n')
  return child
}

async function kill(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return
  const ended = once(child, 'exit')
  child.kill('SIGKILL')
  await ended
}

const table = () => `bond-${line.product.replace('EX36-', 'routine-')}`
const sweep = () => getSweep(works.database.sql, { table: table(), edition }, works.clock.at)

async function publish(least: string): Promise<void> {
  edition += 1
  line.tick(100)
  await line.publishBond(edition, least)
}

/** Statements that the publication of an edition sends while it holds the gate. */
async function underTheGate(least: string): Promise<string[]> {
  const query = vi.spyOn(pg.Client.prototype, 'query')
  try {
    await publish(least)
    const texts = query.mock.calls.map(([given]: unknown[]) => {
      return typeof given === 'string' ? given : (given as { readonly text: string }).text
    })
    const last = texts.findLastIndex((text) => text.startsWith('LOCK TABLE intake.gate'))
    return texts.slice(last, texts.indexOf('COMMIT', last) + 1)
  } finally {
    query.mockRestore()
  }
}

/** Copies of an approved revision, as plans of their own. */
async function loadCopiesOf(first: RevisionKey): Promise<void> {
  const rows = Array.from({ length: REVISIONS - 1 }, (_, index) => {
    const number = index + 1
    const plan = `${line.plan}-${number}`
    const least = number % NOT_CONFORMING_EVERY === 1 ? '9' : '10'
    const content = line.planContent({
      '/plan': plan,
      '/operation': `operation-${number}`,
      '/steps/0/testCurrent': { least: least, most: '40', unit: 'A' },
    })
    const text = canonicalText(content)
    return { plan, operation: `operation-${number}`, text, digest: digestOf(text) }
  })
  await works.database.sql.query(
    `WITH given AS (SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::text[])
       AS given (plan, operation, content, digest)),
     plans AS (INSERT INTO governance.plan (plan, product, operation, recorded_at)
       SELECT given.plan, product, given.operation, recorded_at FROM given, governance.plan p WHERE p.plan = $5)
     INSERT INTO governance.plan_revision (plan, revision, state, product, product_version, content, digest, authors,
       created_at, submitted_at, submitted_by, approved_at, approved_by, approved_meaning, in_force_from,
       approved_version, checked_version)
     SELECT given.plan, 1, state, product, product_version, given.content, given.digest, authors, created_at,
       submitted_at, submitted_by, approved_at, approved_by, approved_meaning, in_force_from, approved_version,
       approved_version
     FROM given, governance.plan_revision r WHERE r.plan = $5`,
    [
      rows.map(({ plan }) => plan),
      rows.map(({ operation }) => operation),
      rows.map(({ text }) => text),
      rows.map(({ digest }) => digest),
      first.plan,
    ],
  )
  await works.database.sql.query(
    `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at)
     SELECT p.plan, 1, p.product, f.variant, p.operation, f.site, f.from_at
     FROM governance.plan p, governance.in_force f WHERE f.plan = $1 AND p.plan <> $1`,
    [first.plan],
  )
}
/** Everything that a sweep stores of the last publication, but when. */
async function stored(): Promise<unknown> {
  const { rulesVersion } = await sweep()
  const read = async (text: string) => (await works.database.sql.query<{ all: string }>(text, [rulesVersion]))[0]?.all
  return {
    checks: await read(
      `SELECT string_agg(concat_ws(' ', plan, revision, verdict, c.digest, applied_digest, applied_from, a.applied,
         array_to_string(a.editions, ','), blocking_count, warning_count), E'\\n' ORDER BY plan COLLATE "C") AS all
       FROM governance.revision_check c JOIN governance.applied_editions a ON a.digest = c.applied_digest
       WHERE rules_version = $1`,
    ),
    findings: await read(
      `SELECT string_agg(concat_ws(' ', plan, revision, ordinal, code, from_at, until_at, content), E'\\n'
         ORDER BY plan COLLATE "C", ordinal) AS all FROM governance.finding WHERE rules_version = $1`,
    ),
    blocks: await read(
      `SELECT string_agg(concat_ws(' ', plan, revision, from_at, until_at, cause_version, causes), E'\\n'
         ORDER BY plan COLLATE "C", from_at) AS all FROM governance.block WHERE rules_version = $1`,
    ),
    marked: await read(
      'SELECT count(*)::text AS all FROM governance.plan_revision WHERE checked_version IS NOT DISTINCT FROM $1',
    ),
  }
}

/** As it was before the sweep; the service itself may not. */
async function forget(): Promise<void> {
  const { rulesVersion } = await sweep()
  for (const name of ['revision_check', 'finding', 'block']) {
    await admin.query(`DELETE FROM governance.${name} WHERE rules_version = $1`, [rulesVersion])
  }
  await admin.query(
    `UPDATE governance.plan_revision r SET checked_version = coalesce((SELECT max(rules_version)
       FROM governance.revision_check c WHERE c.plan = r.plan AND c.revision = r.revision), approved_version)`,
  )
}

async function sweepHere(): Promise<void> {
  while ((await checkPageBehind(works.database)) === 'more');
}

describe('with two thousand live revisions', () => {
  let bySelf: Awaited<ReturnType<typeof stored>>

  test('a publication does under the gate what it does with one, and reads none of them', {
    timeout: 60_000,
  }, async () => {
    await line.approved(line.key(1))
    const withOne = await underTheGate('8')
    await loadCopiesOf(line.key(1))
    await sweepHere()
    const withMany = await underTheGate('10')
    expect(withMany.length).toBeGreaterThan(5)
    expect(withMany).toEqual(withOne)
    const texts = withMany.join('\n')
    expect(texts).toContain('UPDATE "governance"."rule_edition"')
    expect(texts).not.toMatch(/plan_revision|in_force|revision_check|\b(finding|block|permit)\b/)
    expect(await sweep()).toMatchObject({ total: REVISIONS, done: 0, blocked: 0, finishedAt: null })
  })

  test('one that is used first is checked first', async () => {
    await ensureChecked(works.database, [{ plan: `${line.plan}-41`, revision: 1 }])
    expect(await sweep()).toMatchObject({ total: REVISIONS, done: 1, blocked: 1, finishedAt: null })
  })

  test('the sweep reaches all, and says so', async () => {
    line.tick(5_000)
    await sweepHere()
    expect(await sweep()).toEqual({
      table: table(),
      edition,
      rulesVersion: expect.any(Number),
      startedAt: expect.any(String),
      finishedAt: new Date(works.clock.at).toISOString(),
      total: REVISIONS,
      done: REVISIONS,
      blocked: BLOCKED,
    })
    bySelf = await stored()
    expect(bySelf).toMatchObject({ marked: String(REVISIONS) })
  })

  test('three processes at once store the same', { timeout: 60_000 }, async () => {
    await forget()
    expect(await sweep()).toMatchObject({ done: 0, blocked: 0, finishedAt: null })
    await Promise.all([1, 2, 3].map(() => startChild('as-the-service')))
    await expect.poll(async () => (await sweep()).done, { timeout: 40_000, interval: 50 }).toBe(REVISIONS)
    expect(await stored()).toEqual(bySelf)
  })

  test('what was under way at kill -9 is done again, and nothing twice', { timeout: 60_000 }, async () => {
    await forget()
    const slow = await startChild('slowly')
    await expect.poll(async () => (await sweep()).done, { timeout: 40_000, interval: 10 }).toBeGreaterThan(50)
    await kill(slow)
    const { rulesVersion, done } = await sweep()
    expect(done).toBeLessThan(REVISIONS)
    const [row] = await works.database.sql.query<{ marked: number; checks: number }>(
      `SELECT (SELECT count(*) FROM governance.plan_revision WHERE checked_version = $1) AS marked,
         (SELECT count(*) FROM governance.revision_check WHERE rules_version = $1) AS checks`,
      [rulesVersion],
    )
    // A commit may have come in between the two questions: the server ends what it was asked.
    expect(row?.marked).toBe(row?.checks)
    expect(row?.marked).toBeGreaterThanOrEqual(done)
    await startChild('as-the-service')
    await expect.poll(async () => (await sweep()).done, { timeout: 40_000, interval: 50 }).toBe(REVISIONS)
    expect(await stored()).toEqual(bySelf)
  })

  test('a later publication counts for the earlier one too, and keeps what it blocked', async () => {
    const first = { table: table(), edition }
    await publish('8')
    await sweepHere()
    expect(await getSweep(works.database.sql, first, works.clock.at)).toMatchObject({
      total: REVISIONS,
      done: REVISIONS,
      blocked: BLOCKED,
    })
    expect(await sweep()).toMatchObject({ done: REVISIONS, blocked: 0 })
  })
})

test('an edition that is not published has no sweep, and one that is not there neither', async () => {
  const { sql } = works.database
  const missing = await refusalOf(getSweep(sql, { table: table(), edition: 99 }, works.clock.at))
  expect(missing.key).toBe('edition-not-found')
  const other = `${table()}-draft`
  await sql.query(
    `INSERT INTO governance.rule_table SELECT $1, rule_set, recorded_at FROM governance.rule_table WHERE rule_table = $2`,
    [other, table()],
  )
  await sql.query(
    `INSERT INTO governance.rule_edition (rule_table, edition, state, content, digest, authors, created_at)
     VALUES ($1, 1, 'draft', '{}', 'none', '{P-0100}', $2)`,
    [other, timestamptzText(works.clock.at)],
  )
  const draft = await refusalOf(getSweep(sql, { table: other, edition: 1 }, works.clock.at))
  expect(draft.key).toBe('sweep-not-found')
})
