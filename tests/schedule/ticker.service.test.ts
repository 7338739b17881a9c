import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { sequencePage } from '../../src/ledger/acts-sequence.ts'
import { readEvents } from '../../src/ledger/reads.ts'
import { arrivalKinds, START } from '../../src/ledger/words.ts'
import { ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { cancelRevision } from '../../src/plans/acts/stop.ts'
import { type Database, openDatabase } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { cancelEdition } from '../../src/rules/acts-stop.ts'
import { tickPage } from '../../src/schedule/acts-tick.ts'
import { author, type Line, openWorks, type Works } from '../plans/works.ts'

let works: Works
let line: Line
/** Three processes on one database. */
let processes: Database[]

beforeAll(async () => {
  works = await openWorks({ poolMax: 8 })
  const more = () => openDatabase({ serviceUrl: works.urls.serviceUrl, clock: works.clock, log: silentLog, poolMax: 3 })
  processes = [works.database, await more(), await more()]
})
afterAll(async () => {
  for (const process of processes.slice(1)) await process.close()
  await works.close()
})
beforeEach(async () => {
  line = await works.line()
  line.tick(10)
  await tick()
})

/** Until nothing is left to tell. */
async function tick(pageMax?: number): Promise<void> {
  while ((await tickPage(works.database, pageMax === undefined ? {} : { pageMax })) === 'more');
}

/** What the feed was told of this line, in its order. */
async function events() {
  while ((await sequencePage(works.database)) !== 0);
  const asked = { after: START, limit: 10_000, kinds: arrivalKinds, site: undefined }
  const { items } = await readEvents(works.database, asked)
  return items.filter(({ subject }) => subject.split('/')[1]?.endsWith(line.plan.slice('final'.length)))
}

/** The same in short: kind, number and instant after the line's start. */
async function told(): Promise<string[]> {
  return (await events()).map(({ kind, subject, facts }) => {
    const after = Date.parse(String(facts['at'])) - line.startedAt
    return `${kind} ${subject.split('/').at(-1)} ${after}`
  })
}

/** The confirmed version of the line's product took effect as the line began. */
const BEGUN = /^versionTookEffect 3 /
const toldSince = async () => (await told()).filter((one) => !BEGUN.test(one))

describe('the feed is told', () => {
  test('of what took effect, came into force, ended and is blocked, when it comes and not before', async () => {
    expect(await told()).toEqual([expect.stringMatching(BEGUN)])
    await line.approved(line.key(1), line.startedAt + 1_000)
    await line.approved(line.key(2), line.startedAt + 2_000)
    await line.publishBond(1, '25', line.startedAt + 3_000)
    await ensureChecked(works.database, [line.key(1), line.key(2)])
    await tick()
    expect(await toldSince()).toEqual([])
    line.tick(989)
    await tick()
    expect(await toldSince()).toEqual([])
    line.tick(1)
    await tick()
    expect(await toldSince()).toEqual(['revisionCameIntoForce 1 1000'])
    line.tick(9_000)
    await tick()
    expect(await toldSince()).toEqual(
      [
        'revisionCameIntoForce 1 1000',
        'revisionEnded 1 2000',
        'revisionCameIntoForce 2 2000',
        'editionTookEffect 1 3000',
        'blockBegan 2 3000',
      ].sort(byEvent),
    )
    const before = await told()
    await tick()
    expect(await told()).toEqual(before)
  })

  test('with where and what, by the service itself', async () => {
    const { digest } = await line.approved(line.key(1), line.startedAt + 1_000, { '/sites': ['leeds', 'osaka'] })
    line.tick(1_000)
    await tick()
    await told()
    const asked = { after: START, limit: 1_000, kinds: ['revisionCameIntoForce'], site: 'leeds' }
    const event = (await readEvents(works.database, asked)).items.at(-1)
    expect(event).toMatchObject({
      by: 'service',
      key: null,
      site: null,
      subject: `plans/${line.plan}/revisions/1`,
      facts: {
        at: writeInstant(line.startedAt + 1_000),
        digest,
        sites: ['leeds', 'osaka'],
        variants: ['EX36-3M', 'EX36-5M'],
      },
    })
  })

  test('of nothing that was cancelled or replaced before it came', async () => {
    await line.approved(line.key(1), line.startedAt + 1_000)
    line.tick()
    await line.approved(line.key(2), line.startedAt + 1_000)
    await line.approved(line.key(3), line.startedAt + 2_000)
    await line.publishBond(1, '25', line.startedAt + 3_000)
    const reason = 'not needed'
    await cancelRevision({ database: works.database }, author, line.key(3), { reason })
    const table = `bond-routine-${line.plan.slice('final-'.length)}`
    await cancelEdition({ database: works.database }, author, { table, edition: 1 }, { reason })
    await ensureChecked(works.database, [line.key(2)])
    line.tick(9_000)
    await tick()
    expect(await toldSince()).toEqual(['revisionCameIntoForce 2 1000'])
  })

  test('of a block that a late check finds, and of none that a later version takes away before it is checked', async () => {
    await line.approved(line.key(1))
    line.tick(100)
    await line.publishBond(1, '25', line.startedAt + 1_000)
    await ensureChecked(works.database, [line.key(1)])
    // Published before the block begins, and checked by nobody: the check there is says otherwise.
    await line.publishBond(2, '9', line.startedAt + 1_000)
    line.tick(5_000)
    await tick()
    expect((await toldSince()).filter((one) => one.startsWith('block'))).toEqual([])
    await ensureChecked(works.database, [line.key(1)])
    await line.publishBond(3, '25')
    line.tick(10)
    await tick()
    expect((await toldSince()).filter((one) => one.startsWith('block'))).toEqual([])
    await ensureChecked(works.database, [line.key(1)])
    await tick()
    await tick()
    expect((await toldSince()).filter((one) => one.startsWith('block'))).toEqual(['blockBegan 1 5111'])
  })

  test('once each, by three processes at once, in pages, after a long silence', async () => {
    const plans = Array.from({ length: 12 }, (_, index) => ({
      plan: `many${index}-${line.plan.slice('final-'.length)}`,
      revision: 1,
    }))
    for (const [index, key] of plans.entries()) {
      await line.approved(key, line.startedAt + 1_000 + index * 100, { '/operation': `operation-${index}` })
    }
    await line.publishBond(1, '25', line.startedAt + 1_500)
    await ensureChecked(works.database, plans)
    line.tick(60_000)
    const looks = processes
      .flatMap((process) => [process, process])
      .map(async (process) => {
        for (let look = 0; look < 30; look += 1) await tickPage(process, { pageMax: 2 })
      })
    await Promise.all(looks)
    await tick(2)
    const all = await told()
    const of = (kind: string) => all.filter((one) => one.startsWith(kind))
    expect(of('revisionCameIntoForce')).toHaveLength(plans.length)
    expect(of('blockBegan')).toHaveLength(plans.length)
    expect(of('editionTookEffect')).toEqual(['editionTookEffect 1 1500'])
    const each = (await events()).map(({ kind, subject, facts }) => `${kind} ${subject} ${facts['at']}`)
    expect(new Set(each).size).toBe(each.length)
  })

  test('of each that acts set while it is told: one whose instant passes before its commit as well', async () => {
    const key = (index: number) => ({ plan: `race${index}-${line.plan.slice('final-'.length)}`, revision: 1 })
    const submitted = []
    for (let index = 0; index < 16; index += 1) {
      submitted.push(await line.submitted(key(index), { '/operation': `race-${index}` }))
    }
    // Something comes every millisecond, so that there is always a later instant to be told before an act has committed.
    const dense = { plan: `dense-${line.plan.slice('final-'.length)}`, revision: 1 }
    await line.approved(dense, 'at-once', { '/operation': 'dense' })
    await works.database.sql.query(
      `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at)
       SELECT plan, revision, product, 'v' || ms, operation, site, from_at + ms * interval '1 ms'
       FROM governance.in_force, generate_series(1, 1500) ms WHERE plan = $1 AND variant = 'EX36-3M'`,
      [dense.plan],
    )
    const still = works.clock.read
    const shiftMs = works.clock.at - Date.now()
    // The clock runs, so that an act takes effect a millisecond after it looked, and commits some later.
    works.clock.read = (databaseMs) => databaseMs + shiftMs
    let isDone = false
    let looks = 0
    const ticking = processes.map(async (process) => {
      for (; !isDone; looks += 1) await tickPage(process)
    })
    for (const revision of submitted) await line.approve(revision)
    isDone = true
    await Promise.all(ticking)
    works.clock.at = works.clock.read(Date.now()) + 5_000
    works.clock.read = still
    await tick()
    expect(looks).toBeGreaterThan(submitted.length)
    const began = (await events()).filter(({ kind }) => kind === 'revisionCameIntoForce')
    const those = began.filter(({ subject }) => !subject.includes(dense.plan))
    // Each of the others once as well, the first for two variants.
    expect(began.length - those.length).toBe(1_501)
    expect(those.map(({ subject }) => subject).sort()).toEqual(
      submitted.map(({ plan }) => `plans/${plan}/revisions/1`).sort(),
    )
  })
})

/** In order of their instants; of one instant edition, ended, in force, then blocks, which are told last. */
function byEvent(one: string, other: string): number {
  const ranks = ['editionTookEffect', 'revisionEnded', 'revisionCameIntoForce']
  const at = (text: string) => Number(text.split(' ').at(-1)) + (text.startsWith('block') ? 1_000_000 : 0)
  const rank = (text: string) => ranks.indexOf(text.split(' ')[0] ?? '')
  return at(one) - at(other) || rank(one) - rank(other)
}
