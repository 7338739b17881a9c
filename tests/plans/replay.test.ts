import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { blockDemand, demandedFrom } from '../../src/plans/findings.ts'
import { prepareRevision } from '../../src/plans/prepare.ts'
import {
  bringForward,
  type CheckedSoFar,
  checkContent,
  type Published,
  type RuleBook,
  relevantVersions,
} from '../../src/plans/replay.ts'
import { type PublishedTable, ruleTimeline } from '../../src/plans/rule-timeline.ts'
import { type Block, liftedBlocks } from '../../src/plans/step-blocks.ts'
import type { ConfirmedVersion } from '../../src/products/versions.ts'
import { planWire } from '../support/aldermoor.ts'
import { bondTable, changed, confirmed, published } from './aldermoor.ts'

const read = prepareRevision(planWire)
if ('refused' in read) throw new Error(read.refused)

function bookOf(
  tables: readonly PublishedTable[],
  rulesVersion: number,
  versions: readonly ConfirmedVersion[] = [confirmed()],
  unreadable: readonly Published[] = [],
): RuleBook {
  return {
    rulesVersion,
    tables,
    versionsOf: () => versions,
    unreadableOf: () => unreadable,
    timelineAt: (knownVersion) => ruleTimeline(tables, knownVersion),
  }
}

const inForce = (given: Partial<CheckedSoFar> = {}): CheckedSoFar => ({
  product: 'EX36',
  read,
  from: 100,
  checkedVersion: 2,
  blocks: [],
  ...given,
})

function neverFails(_revision: CheckedSoFar, error: unknown): never {
  throw error
}

const withoutHaste = { tellFailure: neverFails, isLate: () => false }

function forward(revision: CheckedSoFar, book: RuleBook) {
  const brought = bringForward([revision], book, withoutHaste).get(revision)
  if (brought === undefined) throw new Error('one revision gives one result')
  return brought
}

/** An edition of the bonding rule that demands so much, published at `at` and in effect from `effectiveFrom`. */
const bond = (edition: number, least: string, at: number, effectiveFrom = at + 1) =>
  bondTable(least, { edition, rulesVersion: edition, publishedAt: at, effectiveFrom })

describe('bringForward', () => {
  test('applies every version since the last check, in its order', () => {
    const tables = [bond(3, '25', 200), bond(4, '10', 300)]
    const { check, blocks } = forward(inForce(), bookOf(tables, 4))
    expect(check.verdict).toBe('blocked')
    expect(blocks).toMatchObject([{ from: 201, until: null, causeVersion: 3 }])
    // Replayed as one step from the last state alone, the begun block would have been missed or dated wrongly.
    expect(forward(inForce({ checkedVersion: 3, blocks }), bookOf(tables, 4)).blocks).toEqual(blocks)
  })

  test('gives a revision in review a check and no blocks', () => {
    const brought = forward(inForce({ blocks: undefined, checkedVersion: null }), bookOf([bond(3, '25', 50)], 3))
    expect(brought.check.verdict).toBe('blocked')
    expect(brought.blocks).toEqual([])
  })

  test('names the editions that apply since the last publication, not those of the beginning', () => {
    const tables = [bond(3, '10', 50), bond(4, '9', 300)]
    expect(forward(inForce(), bookOf(tables, 4)).check.editions).toEqual(['bond/4'])
    expect(forward(inForce(), bookOf([bond(3, '10', 50), bond(4, '9', 300, 900)], 4)).check.editions).toEqual([
      'bond/3',
    ])
  })

  test('blocks, and tells, where a check fails on a bug', () => {
    const book = bookOf([bond(3, '10', 200)], 3)
    const broken: RuleBook = {
      ...book,
      timelineAt: () => {
        throw new TypeError('a bug')
      },
    }
    const told: unknown[] = []
    const revision = inForce()
    const brought = bringForward([revision], broken, {
      tellFailure: (_one, error) => told.push(error),
      isLate: () => false,
    }).get(revision)
    expect(brought?.check).toMatchObject({ verdict: 'not-checkable', findings: [{ severity: 'blocking' }] })
    expect(brought?.blocks).toMatchObject([{ from: 201, until: null }])
    expect(told).toEqual([new TypeError('a bug')])
  })

  test('gives the same blocks whenever it stops on the way', () => {
    const publication = fc.record({
      least: fc.constantFrom('9', '10', '10.001', '25'),
      pause: fc.integer({ min: 0, max: 20 }),
      ahead: fc.integer({ min: 1, max: 60 }),
      isOfAnother: fc.boolean(),
    })
    fc.assert(
      fc.property(fc.array(publication, { minLength: 1, maxLength: 8 }), fc.array(fc.boolean()), (history, stops) => {
        let at = 90
        const tables = history.map(({ least, pause, ahead, isOfAnother }, index) => {
          at += pause
          const edition = bond(index + 3, least, at, at + ahead)
          if (!isOfAnother || edition.compiled === null) return edition
          return { ...edition, table: 'elsewhere', compiled: { ...edition.compiled, ruleSet: 'elsewhere' } }
        })
        const last = tables.length + 2
        const atOnce = forward(inForce(), bookOf(tables, last))
        let blocks: readonly Block[] = []
        let checkedVersion = 2
        for (let version = 3; version <= last; version += 1) {
          if (stops[version - 3] !== true && version !== last) continue
          const brought = forward(inForce({ blocks, checkedVersion }), bookOf(tables, version))
          blocks = brought.blocks
          checkedVersion = version
          if (version === last) expect(brought.check).toEqual(atOnce.check)
        }
        expect(blocks).toEqual(atOnce.blocks)
      }),
    )
  })

  test('stops when it is late, and gives what is done, at the version that it is of', () => {
    const tables = [bond(3, '9', 110), bond(4, '25', 200), bond(5, '9', 300), bond(6, '8', 400)]
    const book = bookOf(tables, 6)
    const [first, second] = [inForce(), inForce()]
    const late = { tellFailure: neverFails, isLate: () => true }
    const once = bringForward([first, second], book, late)
    expect([...once.values()].map(({ rulesVersion }) => rulesVersion)).toEqual([3])
    expect(once.get(first)?.check.editions).toEqual(['bond/3'])

    let checks = 0
    const three = bringForward([first, second], book, { tellFailure: neverFails, isLate: () => ++checks === 3 })
    expect([...three.values()].map(({ rulesVersion }) => rulesVersion)).toEqual([4, 3])
    // Nothing is behind, but each still has to be checked: one at least is.
    const behind = [inForce({ checkedVersion: 5 }), inForce({ checkedVersion: 5 })]
    expect([...bringForward(behind, book, late).keys()]).toEqual(behind.slice(0, 1))
  })

  test('ends with the same checks and blocks however often it was late', () => {
    const publication = fc.record({
      least: fc.constantFrom('9', '25'),
      pause: fc.integer({ min: 0, max: 20 }),
      ahead: fc.integer({ min: 1, max: 60 }),
    })
    fc.assert(
      fc.property(fc.array(publication, { minLength: 1, maxLength: 6 }), fc.array(fc.boolean()), (history, late) => {
        let at = 90
        const tables = history.map(({ least, pause, ahead }, index) => {
          at += pause
          return bond(index + 3, least, at, at + ahead)
        })
        const last = tables.length + 2
        const book = bookOf(tables, last)
        const atOnce = forward(inForce(), book)
        let left: CheckedSoFar[] = [inForce(), inForce({ from: 130 })]
        let asked = 0
        while (left.length > 0) {
          const brought = bringForward(left, book, {
            tellFailure: neverFails,
            isLate: () => late[asked++ % Math.max(late.length, 1)] ?? true,
          })
          expect(brought.size).toBeGreaterThan(0)
          left = left.flatMap((one) => {
            const made = brought.get(one)
            if (made === undefined) return [one]
            if (made.rulesVersion < last) return [{ ...one, checkedVersion: made.rulesVersion, blocks: made.blocks }]
            if (one.from === 100) expect(made).toEqual(atOnce)
            return []
          })
        }
      }),
    )
  })
})

/** Versions from 3 on: each publishes an edition, or cancels one that is to come; and where blocks are lifted between. */
const schedules = fc.array(
  fc.record({
    least: fc.constantFrom('9', '10', '25'),
    pause: fc.integer({ min: 2, max: 20 }),
    ahead: fc.integer({ min: 1, max: 60 }),
    cancels: fc.option(fc.nat(), { freq: 2 }),
    lifts: fc.boolean(),
  }),
  { minLength: 1, maxLength: 9 },
)
type Schedule = (typeof schedules extends fc.Arbitrary<infer Value> ? Value : never)[number]

/** The tables as they stand after all of it, and when each version was made. */
function tablesOf(history: readonly Schedule[]) {
  let at = 90
  const tables: PublishedTable[] = []
  const madeAt = new Map<number, number>()
  for (const [index, { least, pause, ahead, cancels }] of history.entries()) {
    const rulesVersion = index + 3
    at += pause
    madeAt.set(rulesVersion, at)
    const toCome = tables.filter((one) => one.effectiveFrom > at && one.cancelled === undefined)
    const cancelled = cancels === null ? undefined : toCome[cancels % Math.max(toCome.length, 1)]
    if (cancelled === undefined) tables.push(bond(rulesVersion, least, at, at + ahead))
    else tables[tables.indexOf(cancelled)] = { ...cancelled, cancelled: { rulesVersion, at } }
  }
  return { tables, madeAt }
}

describe('with editions cancelled and blocks lifted on the way', () => {
  test('a cancelled edition blocks nothing: a block that it alone demanded had not begun', () => {
    const strict = { ...bond(3, '25', 200, 500), cancelled: { rulesVersion: 4, at: 300 } }
    expect(forward(inForce(), bookOf([strict], 3)).blocks).toMatchObject([{ from: 500 }])
    expect(forward(inForce(), bookOf([strict], 4)).blocks).toEqual([])
    // What another demands earlier stays.
    const stricter = bond(5, '26', 310, 400)
    expect(forward(inForce(), bookOf([strict, stricter], 5)).blocks).toMatchObject([{ from: 400, causeVersion: 5 }])
  })

  test('and the one that it would have replaced holds on', () => {
    const loose = { ...bond(4, '9', 210, 300), cancelled: { rulesVersion: 5, at: 250 } }
    expect(forward(inForce(), bookOf([bond(3, '25', 200, 260), loose], 5)).blocks).toMatchObject([{ from: 260 }])
  })

  test('blocks do not depend on who checks, in how many portions, or when', () => {
    fc.assert(
      fc.property(schedules, fc.array(fc.boolean()), (history, stops) => {
        const { tables, madeAt } = tablesOf(history)
        const last = history.length + 2
        /** Everybody checks before blocks are lifted; in between, whoever is told to. */
        const run = (isStop: (version: number) => boolean) => {
          let blocks: readonly Block[] = []
          let checkedVersion = 2
          for (let version = 3; version <= last; version += 1) {
            const lifts = history[version - 3]?.lifts ?? false
            if (!lifts && !isStop(version) && version !== last) continue
            const brought = forward(inForce({ blocks, checkedVersion }), bookOf(tables, version))
            blocks = brought.blocks
            checkedVersion = version
            const now = (madeAt.get(version) ?? 0) + 1
            if (!lifts) continue
            const demand = blockDemand(brought.check.findings, now + 1)
            const lifted = liftedBlocks(blocks, demand, { at: now + 1, now, version })
            if ('blocks' in lifted) blocks = lifted.blocks
          }
          return blocks
        }
        const blocks = run((version) => stops[version - 3] === true)
        expect(blocks).toEqual(run(() => true))
        // From the last act on, it is blocked wherever a finding stands.
        const { findings } = forward(inForce(), bookOf(tables, last)).check
        for (let at = (madeAt.get(last) ?? 0) + 2; at < 400; at += 1) {
          if (demandedFrom(findings, at) !== at) continue
          expect(blocks.some(({ from, until }) => from <= at && (until === null || until > at))).toBe(true)
        }
      }),
    )
  })
})

describe('a revision that can no longer be checked', () => {
  const lost = { read: { refused: 'its digest does not fit' } }

  test('is blocked though nothing was published about it, as of the last publication', () => {
    const elsewhere = { ...bond(5, '25', 300), compiled: null }
    const ofOther = published({ rulesVersion: 4, publishedAt: 300 }, { '/ruleSet': 'other' })
    expect(forward(inForce({ ...lost, checkedVersion: 3 }), bookOf([ofOther], 4)).blocks).toEqual([
      { from: 301, until: null, causeVersion: 4, causes: ['content-not-readable'] },
    ])
    // Version 4 was of another product, so the last publication known here is the product's own.
    expect(forward(inForce({ ...lost, checkedVersion: 3 }), bookOf([], 4)).blocks).toMatchObject([
      { from: 100, causeVersion: 1 },
    ])
    // What is published later is not known at version 4.
    expect(forward(inForce({ ...lost, checkedVersion: 3 }), bookOf([ofOther, elsewhere], 4)).blocks).toHaveLength(1)
  })

  test('keeps a block that begins no later, and gets an earlier one in place of one that does', () => {
    const ofOther = published({ rulesVersion: 4, publishedAt: 300 }, { '/ruleSet': 'other' })
    const block = (from: number) => ({ from, until: null, causeVersion: 3, causes: ['requirement-not-met bond/3 b'] })
    const blocksAfter = (from: number) =>
      forward(inForce({ ...lost, checkedVersion: 3, blocks: [block(from)] }), bookOf([ofOther], 4)).blocks
    expect(blocksAfter(150)).toEqual([block(150)])
    expect(blocksAfter(301)).toEqual([block(301)])
    expect(blocksAfter(900)).toMatchObject([{ from: 301, causeVersion: 4 }])
  })

  test('for want of a product version that can be read is blocked from its confirmation on', () => {
    const broken = bookOf([], 4, [], [{ rulesVersion: 4, publishedAt: 300 }])
    expect(relevantVersions(broken, 'EX36', 3)).toEqual([{ version: 4, publishedAt: 300 }])
    expect(forward(inForce({ checkedVersion: 3 }), broken)).toMatchObject({
      check: { verdict: 'not-checkable' },
      blocks: [{ from: 301, causeVersion: 4 }],
    })
    // One that was readable at its confirmation, and is lost since.
    const since = bookOf([], 4, [], [{ rulesVersion: 1, publishedAt: -1 }])
    expect(forward(inForce({ checkedVersion: 3 }), since).blocks).toMatchObject([{ from: 100, causeVersion: 1 }])
    expect(forward(inForce({ checkedVersion: 3 }), bookOf([], 4, [])).blocks).toMatchObject([{ from: 100 }])
  })

  test('has no blocks while it is in review', () => {
    const inReview = inForce({ ...lost, blocks: undefined, checkedVersion: 3 })
    expect(forward(inReview, bookOf([], 4))).toMatchObject({ check: { verdict: 'not-checkable' }, blocks: [] })
  })
})

describe('relevantVersions', () => {
  test('are those of the product and of its rule sets, as they were known then', () => {
    const two = confirmed({ rulesVersion: 5, publishedAt: 500 }, { '/version': 4, '/ruleSets': ['other'] })
    const other = (version: number) =>
      published({ rulesVersion: version, publishedAt: version * 100 }, { '/ruleSet': 'other' })
    const own = published({ rulesVersion: 3, publishedAt: 300 })
    const unreadable = { ...own, table: 'lost', rulesVersion: 7, publishedAt: 700, compiled: null }
    // Edition 4 is of a rule set that only version 5 brings in; edition 6 comes after it.
    const book = bookOf([other(6), own, other(4), unreadable], 7, [confirmed(), two])
    expect(relevantVersions(book, 'EX36', 0).map(({ version }) => version)).toEqual([1, 3, 5, 6, 7])
    expect(relevantVersions(book, 'EX36', 3).map(({ version }) => version)).toEqual([5, 6, 7])
    expect(relevantVersions(book, 'EX36', 7)).toEqual([])
  })
})

test('a draft is checked by itself, and one that cannot be read is not assumed good', () => {
  const book = bookOf([bond(3, '25', 50)], 3)
  expect(checkContent({ content: planWire, product: 'EX36' }, book, 100)).toMatchObject({ verdict: 'blocked' })
  const broken = changed(planWire, { '/steps/0/testCurrent': 'twenty' })
  expect(checkContent({ content: broken, product: 'EX36' }, book, 100)).toMatchObject({
    verdict: 'not-checkable',
    findings: [{ code: 'content-not-readable' }],
  })
})
