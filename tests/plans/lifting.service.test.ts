import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { checkPageBehind, ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { liftBlocks } from '../../src/plans/acts/lift.ts'
import { getRevision } from '../../src/plans/reads.ts'
import { listOpenBlocks } from '../../src/plans/reads-blocks.ts'
import type { RevisionKey } from '../../src/plans/record.ts'
import { approver, author, type Line, openWorks, refusalOf, type Works } from './works.ts'

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

const services = () => ({ database: works.database })
const ensure = (...keys: RevisionKey[]) => ensureChecked(works.database, keys)
const signed = { meaning: 'the rule was loosened', reason: 'edition 2 asks for 10 A again' }
const stale = `sha256:${'0'.repeat(64)}`

async function named(key: RevisionKey) {
  const { digest } = await getRevision(works.database.sql, key)
  return { ...key, digest }
}

async function lift(keys: readonly RevisionKey[], { by = approver, from }: { by?: typeof author; from?: number } = {}) {
  const revisions = await Promise.all(keys.map(named))
  const asked = from === undefined ? undefined : writeInstant(from)
  return liftBlocks(services(), by, { ...signed, from: asked, revisions })
}
const becauseOf = async (...asked: Parameters<typeof lift>) =>
  (await lift(...asked)).revisions.map(({ lifted, because }) => (lifted ? 'lifted' : because))

/** Blocked since 101, by an edition that was loosened at 201. */
async function blockedThenLoosened(key: RevisionKey): Promise<void> {
  await line.approved(key)
  line.tick(100)
  await line.publishBond(1, '25')
  line.tick(100)
  await line.publishBond(2, '10')
  line.tick(100)
}

describe('a block that has begun', () => {
  test('is lifted from the instant of the signature on, and stays lifted', async () => {
    await blockedThenLoosened(R1)
    const answer = await lift([R1])
    expect(answer).toMatchObject({
      from: writeInstant(works.clock.at + 1),
      revisions: [{ ...R1, lifted: true, because: null, detail: null, findings: [], blockedFrom: null }],
    })
    expect(await line.blocks(R1)).toEqual(['[101, 301)'])
    expect(await becauseOf([R1])).toEqual(['not-blocked'])

    // A later version, of a rule that it meets, opens nothing again, whoever checks.
    line.tick(100)
    await line.publishBond(3, '9')
    await line.publishStrength(1, [['1200', '1']])
    while ((await checkPageBehind(works.database)) === 'more');
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, 301)'])
    // A new cause begins another.
    line.tick(100)
    await line.publishBond(4, '30')
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, 301)', '[501, on)'])
  })

  test('is not lifted while a finding stands, and the answer says which', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25')
    line.tick(100)
    const [refused] = (await lift([R1])).revisions
    expect(refused).toMatchObject({ lifted: false, because: 'finding-stands' })
    expect(refused?.findings).toMatchObject(Array(2).fill({ code: 'requirement-not-met', edition: 1 }))
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('is not lifted where rules are published, and checked by somebody, while it is being looked at', async () => {
    await blockedThenLoosened(R1)
    const { database } = works
    let looked = 0
    let asked = 0
    /** What happens between the statements of the act, before it has the gate. */
    const query: typeof database.sql.query = async (text, values, name) => {
      const isFirst = name === 'plans_blocking_findings' && looked === 0
      // The check before has asked once already, since this database is another object to it.
      if (name === 'plans_rules_now' && ++asked === 2) await line.publishBond(3, '26')
      const rows = await database.sql.query(text, values, name)
      if (name === 'plans_blocking_findings') looked += 1
      if (isFirst) await ensure(R1)
      return rows as never
    }
    const watched = { ...database, sql: { query } }
    const revisions = [await named(R1)]
    const { revisions: answers } = await liftBlocks({ database: watched }, approver, { ...signed, revisions })
    expect(answers).toMatchObject([{ lifted: false, because: 'finding-stands' }])
    expect(looked).toBe(2)
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('leaves what rules known now demand later', async () => {
    await blockedThenLoosened(R1)
    await line.publishBond(3, '26', line.startedAt + 5_000)
    const [lifted] = (await lift([R1])).revisions
    expect(lifted).toMatchObject({ lifted: true, blockedFrom: writeInstant(line.startedAt + 5_000) })
    expect(await line.blocks(R1)).toEqual(['[101, 301)', '[5000, on)'])
    // Not begun yet, so it goes with its cause.
    await line.publishBond(4, '9', line.startedAt + 5_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, 301)'])
  })

  test('can be lifted ahead, for the instant at which the loosened rule takes effect', async () => {
    await line.approved(R1)
    line.tick(100)
    await line.publishBond(1, '25')
    await line.publishBond(2, '10', line.startedAt + 5_000)
    line.tick(100)
    expect(await becauseOf([R1], { from: line.startedAt + 4_999 })).toEqual(['finding-stands'])
    expect(await becauseOf([R1], { from: line.startedAt + 5_000 })).toEqual(['lifted'])
    expect(await line.blocks(R1)).toEqual(['[101, 5000)'])
    // What is published in between finds the same until then, and does not undo it.
    await line.publishStrength(1, [['1200', '1']])
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[101, 5000)'])
    const passed = lift([R1], { from: works.clock.at })
    expect((await refusalOf(passed)).key).toBe('effective-instant-passed')
  })
})

describe('a selection', () => {
  test('is answered one by one, in its order', async () => {
    await blockedThenLoosened(R1)
    const planOf = (name: string) => ({ plan: `${line.plan}-${name}`, revision: 1 })
    const free = planOf('free')
    await line.approved(free, 'at-once', { '/operation': 'free' })
    const draft = planOf('draft')
    await line.draft(draft, { '/operation': 'draft' })
    const gone = { plan: 'nowhere', revision: 1 }
    const revisions = [
      { ...gone, digest: stale },
      { ...R1, digest: stale },
      await named(free),
      await named(draft),
      await named(R1),
    ]
    await expect(liftBlocks(services(), approver, { ...signed, revisions })).rejects.toMatchObject({
      key: 'field-invalid',
      errors: [{ pointer: '/revisions/4' }],
    })
    revisions.splice(1, 1)
    const answer = await liftBlocks(services(), approver, { ...signed, revisions })
    expect(answer.revisions.map(({ plan, because }) => [plan, because])).toEqual([
      ['nowhere', 'revision-not-found'],
      [free.plan, 'not-blocked'],
      [draft.plan, 'state-conflict'],
      [R1.plan, null],
    ])
  })

  test('is refused where its digest is not that of the content', async () => {
    await blockedThenLoosened(R1)
    const revisions = [{ ...R1, digest: stale }]
    const [refused] = (await liftBlocks(services(), approver, { ...signed, revisions })).revisions
    expect(refused).toMatchObject({ lifted: false, because: 'digest-stale' })
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('is not lifted by who wrote it, nor where it is in force no more', async () => {
    await blockedThenLoosened(R1)
    expect(await becauseOf([R1], { by: author })).toEqual(['two-people-required'])
    await line.withdraw(R1)
    line.tick()
    expect(await becauseOf([R1])).toEqual(['state-conflict'])
  })

  test('is one entry of the ledger, with what was lifted and nothing else', async () => {
    const before = await entries()
    await line.approved(R1)
    await lift([R1])
    expect(await entries()).toHaveLength(before.length)
    const R2 = { plan: `${line.plan}-two`, revision: 1 }
    await line.approved(R2, 'at-once', { '/operation': 'two' })
    line.tick(100)
    await line.publishBond(1, '25')
    line.tick()
    await line.publishBond(2, '10')
    line.tick()
    await lift([R1, R2])
    const after = await entries()
    expect(after).toHaveLength(before.length + 1)
    expect(after.at(-1)).toMatchObject({
      subject: 'blocks/lifting',
      by: approver.person,
      facts: { ...signed, from: writeInstant(works.clock.at + 1), revisions: [await named(R1), await named(R2)] },
    })
  })
})

async function entries() {
  const rows = await works.database.sql.query<{ content: string }>(
    `SELECT content FROM intake.ledger_entries WHERE content LIKE '{"action":"liftBlocks"%' ORDER BY recorded_at, entry_id`,
  )
  return rows.map(({ content }) => JSON.parse(content))
}

describe('the blocks of the house', () => {
  test('are those open or to come, in order, page by page, by plan, product and site', async () => {
    await line.approved(R1, 'at-once', { '/sites': ['leeds'] })
    const other = { plan: `${line.plan}-other`, revision: 1 }
    await line.approved(other, 'at-once', { '/sites': ['osaka'], '/operation': 'other' })
    line.tick(100)
    await line.publishBond(1, '25', line.startedAt + 5_000)
    await ensure(R1, other)
    const at = works.clock.at
    const ask = (asked: object, limit = 10, after?: readonly [number, string, number]) =>
      listOpenBlocks(works.database.sql, { after, limit }, { product: line.product, at, ...asked })
    const [first, second] = await ask({})
    expect(first).toMatchObject({
      ...R1,
      product: line.product,
      operation: 'final',
      sites: ['leeds'],
      from: writeInstant(line.startedAt + 5_000),
      until: null,
    })
    expect(second).toMatchObject({ ...other, sites: ['osaka'] })
    expect(await ask({}, 1, [line.startedAt + 5_000, R1.plan, 1])).toEqual([second])
    expect(await ask({ site: 'osaka' })).toEqual([second])
    expect(await ask({ plan: R1.plan })).toEqual([first])
    expect(await ask({ product: 'nothing' })).toEqual([])
    // Of one that ends before it begins there is nothing to tell.
    await line.withdraw(R1)
    line.tick(10)
    expect(await ask({ at: works.clock.at })).toEqual([second])
  })
})
