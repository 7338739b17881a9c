import fc from 'fast-check'
import pg from 'pg'
import { afterAll, beforeAll, beforeEach, describe, expect, test, vi } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { submitRevision } from '../../src/plans/acts/draft.ts'
import { checkPageBehind, ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { startSweep } from '../../src/plans/job.ts'
import { getRevision, readFindings } from '../../src/plans/reads.ts'
import type { RevisionKey } from '../../src/plans/record.ts'
import { openDatabase } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { author, type Line, openWorks, refusalOf, type Works } from './works.ts'

let works: Works
let line: Line
let R1: RevisionKey
beforeAll(async () => {
  works = await openWorks({ poolMax: 8 })
})
afterAll(() => works.close())
beforeEach(async () => {
  line = await works.line()
  R1 = line.key(1)
})

const ensure = (...keys: RevisionKey[]) => ensureChecked(works.database, keys)
/** A plan of the line for another operation, so that several are in force at once. */
const planFor = (name: string) => ({ plan: `${line.plan}-${name}`, revision: 1 })
const checkOf = async (key: RevisionKey) => (await getRevision(works.database.sql, key)).check
const allFindingsOf = async (key: RevisionKey) => {
  const read = await readFindings(works.database, key, { after: undefined, limit: 500, at: works.clock.at })
  return read.findings.map(({ finding }) => finding)
}
/** Without those of steps that no rule speaks of: the rules here speak of one step or two. */
const findingsOf = async (key: RevisionKey) => (await allFindingsOf(key)).filter(({ code }) => code !== 'rules-silent')
const silentOf = async (key: RevisionKey) =>
  (await allFindingsOf(key)).filter(({ code }) => code === 'rules-silent').map(({ step }) => step)

/** What is stored of a revision's newest check, byte for byte. */
async function storedOf({ plan, revision }: RevisionKey) {
  const [row] = await works.database.sql.query<{ digest: string; blocks: string | null }>(
    `SELECT c.digest, (SELECT string_agg(concat_ws(' ', b.from_at, b.until_at, b.cause_version, b.causes), ',' ORDER BY from_at)
       FROM governance.block b WHERE b.plan = c.plan AND b.revision = c.revision AND b.rules_version = c.rules_version) AS blocks
     FROM governance.revision_check c WHERE plan = $1 AND revision = $2 ORDER BY rules_version DESC LIMIT 1`,
    [plan, revision],
  )
  return row
}

describe('a rule that is tightened', () => {
  test('blocks what it finds from its instant on, at once or later', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25')
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
    expect(await checkOf(R1)).toMatchObject({ verdict: 'blocked', blockingCount: 2 })
    expect(await silentOf(R1)).toEqual(['bond', 'insulation', 'strength', 'touch'])

    const other = planFor('later')
    await line.publishBond(2, '10')
    line.tick()
    await line.approved(other, 'at-once', { '/operation': 'later' })
    await line.publishBond(3, '25', line.startedAt + 5_000)
    await ensure(other)
    expect(await line.blocks(other)).toEqual(['[5000, on)'])
  })

  test('and loosened again lifts no block that has begun', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25')
    line.tick(100)
    await line.publishBond(2, '10')
    line.tick(100)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
    expect(await checkOf(R1)).toMatchObject({ verdict: 'blocked' })
    const ends = (await findingsOf(R1)).map(({ code, until }) => [code, (until ?? 0) - line.startedAt])
    expect(ends).toEqual([
      ['rule-set-empty', 101],
      ['requirement-not-met', 201],
      ['requirement-not-met', 201],
    ])
  })

  test('and replaced before it took effect blocks nothing', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25', line.startedAt + 5_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
    await line.publishBond(2, '10', line.startedAt + 5_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual([])
    expect(await checkOf(R1)).toMatchObject({ verdict: 'conforms', blockingCount: 0 })
  })

  test('and loosened only after its own instant blocks from that instant on', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25', line.startedAt + 5_000)
    await line.publishBond(2, '10', line.startedAt + 6_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
  })

  test('of another rule set does not reach it', async () => {
    await line.approved(R1)
    const elsewhere = await works.line()
    await elsewhere.publishBond(1, '25')
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual([])
    expect(await checkOf(R1)).toMatchObject({ verdict: 'conforms', editions: [] })
  })
})

describe('a product version', () => {
  test('is what every live revision is checked with from its instant on, whichever it cites', async () => {
    await line.approved(R1)
    const { at } = works.clock
    const more = { '/version': 4, '/attributes/liveToEarthCapacitance/value': '8.8' }
    await line.confirm(line.productContent(more), at + 1_000)
    await ensure(R1)
    const [warned, finding] = await findingsOf(R1)
    expect(warned).toMatchObject({ severity: 'warning', code: 'rule-set-empty' })
    expect(finding).toMatchObject({ code: 'expected-current-above-limit', from: at + 1_000, parameter: 'limitUpper' })
    expect(await line.blocks(R1)).toEqual([`[${at + 1_000 - line.startedAt}, on)`])
  })

  test('with a variant that the revision does not name only warns', async () => {
    await line.approved(R1)
    const variants = [...(line.productContent().variants ?? []), { variant: 'EX36-8M' }]
    await line.confirm(line.productContent({ '/version': 4, '/variants': variants }))
    await ensure(R1)
    const found = await findingsOf(R1)
    expect(found.map(({ severity, code, variant }) => [severity, code, variant])).toEqual([
      ['warning', 'variant-not-covered', 'EX36-8M'],
      ['warning', 'rule-set-empty', null],
    ])
    expect(await line.blocks(R1)).toEqual([])
  })
})

// T40: one row of the rule table is tightened; some plans break it, one broke another row, one cannot be read, one is a draft.
test('a rule change reaches every plan wholly, edits none and blocks those that do not conform', async () => {
  const accepts = (bond: string, voltage: string) => ({
    '/steps/0/testCurrent': { least: bond, most: '40', unit: 'A' },
    '/steps/0/sourceVoltage': { most: '20', unit: 'V' },
    '/steps/1/testVoltage': { least: voltage, most: '1900', unit: 'V' },
    '/steps/1/dwell': { least: '1', unit: 's' },
    '/steps/1/limitUpper/value': '4.5',
  })
  await line.publishBond(1, '10')
  const plans = {
    A: accepts('25', '1800'),
    B: accepts('10', '1800'),
    C: accepts('30', '1500'),
    E: accepts('30', '1800'),
  }
  for (const [name, changes] of Object.entries(plans)) {
    await line.approved(planFor(name), 'at-once', { '/operation': `op-${name}`, ...changes })
  }
  const draft = await line.draft(planFor('D'), { '/operation': 'op-D', ...accepts('10', '1800') })
  const before = await Promise.all(['A', 'B', 'C'].map((name) => getRevision(works.database.sql, planFor(name))))
  await breakContent(planFor('E'), 'twenty')

  const from = line.startedAt + 60_000
  await line.publishStrength(
    1,
    [
      ['1500', '60'],
      ['1800', '1'],
    ],
    from,
  )
  await line.publishBond(2, '25', from)
  await ensure(...Object.keys(plans).map(planFor))

  const checks = await Promise.all(Object.keys(plans).map((name) => checkOf(planFor(name))))
  expect(checks.map((check) => check?.verdict)).toEqual(['conforms', 'blocked', 'blocked', 'not-checkable'])
  const version = await rulesVersion()
  expect(checks.map((check) => check?.rulesVersion)).toEqual([version, version, version, version])
  expect(await Promise.all(Object.keys(plans).map((name) => line.blocks(planFor(name))))).toEqual([
    [],
    ['[60000, on)'],
    ['[60000, on)'],
    // What cannot be checked is blocked from the commit of the first publication that found it so.
    ['[1, on)'],
  ])
  const [ofB] = await findingsOf(planFor('B'))
  expect(ofB).toMatchObject({
    parameter: 'testCurrent',
    from,
    demanded: { value: '25', unit: 'A' },
    accepted: { least: '10', most: '40', unit: 'A' },
    margin: { value: '-15', unit: 'A' },
  })
  expect((await findingsOf(planFor('C'))).map(({ table, parameter }) => `${table} ${parameter}`)).toEqual(
    Array(2).fill(`strength-routine-${line.product.slice('EX36-'.length)} testVoltage`),
  )
  expect(await findingsOf(planFor('E'))).toMatchObject([{ code: 'content-not-readable' }])

  works.clock.at = from
  const refusal = await refusalOf(
    submitRevision({ database: works.database }, author, planFor('D'), { digest: draft.digest }),
  )
  expect(refusal.key).toBe('findings-block')
  const after = await Promise.all(['A', 'B', 'C'].map((name) => getRevision(works.database.sql, planFor(name))))
  expect(after.map(({ digest, state }) => [digest, state])).toEqual(before.map(({ digest, state }) => [digest, state]))
})

/** Content as an earlier release might have stored it: its digest fits, and it can no longer be read. */
async function breakContent({ plan, revision }: RevisionKey, current: string): Promise<void> {
  const content = line.planContent({ '/plan': plan }) as { steps: unknown[] }
  const text = canonicalText({ ...content, steps: [{ ...(content.steps[0] as object), testCurrent: current }] })
  await works.database.sql.query(
    'UPDATE governance.plan_revision SET content = $1, digest = $2 WHERE plan = $3 AND revision = $4',
    [text, digestOf(text), plan, revision],
  )
}

async function rulesVersion(): Promise<number> {
  const [row] = await works.database.sql.query<{ v: number }>(
    "SELECT rules_version AS v FROM intake.gate WHERE site_id = '*'",
  )
  return row?.v ?? -1
}

describe('ensureChecked', () => {
  test('leaves what is checked, drafts and what is not there alone', async () => {
    await line.approved(R1)
    await line.draft(line.key(2))
    const before = await storedOf(R1)
    await ensure(R1, line.key(2), { plan: 'nowhere', revision: 1 })
    await ensure()
    expect(await storedOf(R1)).toEqual(before)
    expect(await checkOf(line.key(2))).toBeNull()
  })

  test('checks ended and withdrawn revisions as well, for uploads that come late', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.approved(line.key(2))
    line.tick(100)
    await line.withdraw(line.key(2))
    line.tick(100)
    await line.publishBond(1, '25')
    await ensure(R1, line.key(2))
    const version = await rulesVersion()
    expect(await checkOf(R1)).toMatchObject({ rulesVersion: version, verdict: 'blocked' })
    expect(await checkOf(line.key(2))).toMatchObject({ rulesVersion: version, verdict: 'blocked' })
    expect(await line.blocks(R1)).toEqual(['[301, on)'])
  })

  test('blocks content that lost its digest', async () => {
    await line.approved(R1)
    const more = line.planContent({ '/revision': 1, '/attemptsWithoutCauseMax': 99 })
    await works.database.sql.query('UPDATE governance.plan_revision SET content = $1, digest = $2 WHERE plan = $3', [
      canonicalText(more),
      `sha256:${'1'.repeat(64)}`,
      R1.plan,
    ])
    await line.publishBond(1, '10')
    await ensure(R1)
    expect(await findingsOf(R1)).toMatchObject([
      { code: 'content-not-readable', facts: { because: 'its digest does not fit' } },
    ])
    expect(await line.blocks(R1)).toEqual(['[1, on)'])
  })

  test('gives each check once where many ask at the same time', async () => {
    const keys = [R1, planFor('b'), planFor('c')]
    for (const [index, key] of keys.entries()) await line.approved(key, 'at-once', { '/operation': `op-${index}` })
    await line.publishBond(1, '25')
    const second = await openDatabase({
      serviceUrl: works.urls.serviceUrl,
      clock: works.clock,
      log: silentLog,
      poolMax: 4,
    })
    try {
      const askers = Array.from({ length: 8 }, (_, index) =>
        ensureChecked(index % 2 === 0 ? works.database : second, index % 3 === 0 ? [...keys].reverse() : keys),
      )
      await Promise.all(askers)
    } finally {
      await second.close()
    }
    const rows = await works.database.sql.query<{ count: number }>(
      `SELECT count(*) FROM governance.revision_check WHERE plan LIKE $1 AND rules_version = $2`,
      [`${line.plan}%`, await rulesVersion()],
    )
    expect(rows).toEqual([{ count: 3 }])
  })

  test('blocks content that has lost its digest, though nothing was published about it', async () => {
    await line.approved(R1)
    line.tick(100)
    await works.database.sql.query("UPDATE governance.plan_revision SET content = content || ' ' WHERE plan = $1", [
      R1.plan,
    ])
    const elsewhere = await works.line()
    works.clock.at = line.startedAt + 100
    await elsewhere.publishBond(1, '10')
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('blocks what rests on a product version that has lost its digest', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '10')
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual([])
    await works.database.sql.query(
      "UPDATE governance.product_version SET content = content || ' ' WHERE product = $1",
      [line.product],
    )
    const elsewhere = await works.line()
    works.clock.at = line.startedAt + 100
    await elsewhere.publishBond(1, '10')
    // Another process, which has not read the version while it was good.
    const second = await openDatabase({ serviceUrl: works.urls.serviceUrl, clock: works.clock, log: silentLog })
    try {
      await ensureChecked(second, [R1])
    } finally {
      await second.close()
    }
    expect(await checkOf(R1)).toMatchObject({ verdict: 'not-checkable' })
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('in no time makes one check in each transaction, and ends with the same', async () => {
    const hasty = [planFor('a'), planFor('b'), planFor('c')]
    const calm = planFor('d')
    for (const key of [...hasty, calm]) await line.approved(key, 'at-once', { '/operation': key.plan })
    const gaps: [least: string, effectiveIn: number][] = [
      ['10', 50],
      ['25', 300],
      ['9', 400],
    ]
    for (const [index, [least, effectiveIn]] of gaps.entries()) {
      line.tick(10)
      await line.publishBond(index + 1, least, works.clock.at + effectiveIn)
    }
    await ensure(calm)
    const commits = await statementsOf(
      () => ensureChecked(works.database, hasty, { timeMaxMs: 0 }),
      (text) => text === 'COMMIT',
    )
    expect(commits).toBe(3 * gaps.length)
    const expected = await storedOf(calm)
    expect(expected?.blocks).not.toBeNull()
    for (const key of hasty) expect(await storedOf(key)).toEqual(expected)
    const versions = await works.database.sql.query<{ checks: number }>(
      'SELECT count(*)::int AS checks FROM governance.revision_check WHERE plan = ANY ($1) GROUP BY plan ORDER BY plan',
      [[...hasty, calm].map(({ plan }) => plan)],
    )
    // One at the submission, then one for each version on the way, or the last alone.
    expect(versions.map(({ checks }) => checks)).toEqual([4, 4, 4, 2])
  })

  test('sends as many statements for twenty revisions as for one', async () => {
    const keys = Array.from({ length: 20 }, (_, index) => planFor(`n${index}`))
    for (const [index, key] of keys.entries()) await line.approved(key, 'at-once', { '/operation': `op-${index}` })
    await line.approved(R1)
    await line.publishBond(1, '25')
    // However slow the machine is.
    const unhurried = (...asked: RevisionKey[]) => ensureChecked(works.database, asked, { timeMaxMs: 60_000 })
    const one = await statementsOf(() => unhurried(R1))
    await line.publishBond(2, '24')
    const twenty = await statementsOf(() => unhurried(...keys))
    expect(twenty).toBe(one)
    expect(one).toBeLessThanOrEqual(10)
  })
})

async function statementsOf(
  work: () => Promise<unknown>,
  isCounted: (statement: unknown) => boolean = () => true,
): Promise<number> {
  const query = vi.spyOn(pg.Client.prototype, 'query')
  try {
    await work()
    return query.mock.calls.filter(([statement]) => isCounted(statement)).length
  } finally {
    query.mockRestore()
  }
}

describe('the sweep', () => {
  test('in no time says that there is more until there is none', async () => {
    for (const name of ['a', 'b']) await line.approved(planFor(name), 'at-once', { '/operation': name })
    line.tick()
    await line.publishBond(1, '25')
    let turns = 0
    while ((await checkPageBehind(works.database, { timeMaxMs: 0 })) === 'more') turns += 1
    expect(turns).toBeGreaterThanOrEqual(1)
    for (const name of ['a', 'b']) expect((await checkOf(planFor(name)))?.rulesVersion).toBe(await rulesVersion())
  })

  test('brings every live revision up to the rules, and leaves the ended ones', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.approved(line.key(2))
    await line.submitted(line.key(3))
    line.tick(100)
    await line.publishBond(1, '25')
    const sweep = startSweep(works.database, silentLog)
    try {
      const version = await rulesVersion()
      await vi.waitFor(async () => {
        expect((await checkOf(line.key(2)))?.rulesVersion).toBe(version)
        expect((await checkOf(line.key(3)))?.rulesVersion).toBe(version)
      })
      await line.publishBond(2, '24')
      sweep.nudge()
      await vi.waitFor(async () => expect((await checkOf(line.key(2)))?.rulesVersion).toBe(version + 1))
    } finally {
      await sweep.stop()
    }
    const behind = await works.database.sql.query<{ revision: number }>(
      'SELECT revision FROM governance.plan_revision WHERE plan = $1 AND checked_version < $2',
      [line.plan, await rulesVersion()],
    )
    expect(behind).toEqual([{ revision: 1 }])
  })
})

describe('the result', () => {
  test('does not depend on who checks, or when', async () => {
    const seen = { blocked: 0, free: 0 }
    await fc.assert(
      fc.asyncProperty(
        fc.array(
          fc.record({
            least: fc.constantFrom('10', '25', '30'),
            // Milliseconds from the publication to its effect, and to the next publication.
            ahead: fc.constantFrom(0, 1, 5, 40, 200),
            pause: fc.constantFrom(1, 4, 50),
            // Whether the second of three plans is checked after this publication; the first always is, the third never.
            isChecked: fc.boolean(),
          }),
          { minLength: 2, maxLength: 6 },
        ),
        async (history) => {
          line = await works.line()
          const [always, sometimes, last] = ['always', 'sometimes', 'last'].map(planFor)
          if (!always || !sometimes || !last) throw new Error('three plans')
          for (const key of [always, sometimes, last]) await line.approved(key, 'at-once', { '/operation': key.plan })
          for (const [index, { least, ahead, pause, isChecked }] of history.entries()) {
            line.tick(pause)
            await line.publishBond(index + 1, least, ahead === 0 ? 'at-once' : works.clock.at + ahead)
            await ensure(always)
            if (isChecked) await ensure(sometimes, always)
          }
          line.tick(500)
          await Promise.all([ensure(last, always), ensure(always, sometimes), ensure(sometimes, last)])
          const stored = await storedOf(always)
          expect(await storedOf(sometimes)).toEqual(stored)
          expect(await storedOf(last)).toEqual(stored)
          if (stored?.blocks) seen.blocked += 1
          else seen.free += 1
        },
      ),
      {
        numRuns: 10,
        examples: [
          // Begun before it is loosened, and not begun.
          [
            [
              { least: '25', ahead: 1, pause: 1, isChecked: false },
              { least: '10', ahead: 0, pause: 50, isChecked: true },
            ],
          ],
          [
            [
              { least: '25', ahead: 200, pause: 1, isChecked: true },
              { least: '10', ahead: 40, pause: 4, isChecked: false },
            ],
          ],
        ],
      },
    )
    expect(seen.blocked).toBeGreaterThan(0)
  })
})
