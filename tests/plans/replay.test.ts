import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { prepareRevision } from '../../src/plans/prepare.ts'
import {
  bringForward,
  type CheckedSoFar,
  checkContent,
  type RuleBook,
  relevantVersions,
} from '../../src/plans/replay.ts'
import { type PublishedTable, ruleTimeline } from '../../src/plans/rule-timeline.ts'
import type { Block } from '../../src/plans/step-blocks.ts'
import type { ConfirmedVersion } from '../../src/products/versions.ts'
import { planWire } from '../support/aldermoor.ts'
import { bondTable, changed, confirmed, published } from './aldermoor.ts'

const read = prepareRevision(planWire)
if ('refused' in read) throw new Error(read.refused)

function bookOf(
  tables: readonly PublishedTable[],
  rulesVersion: number,
  versions: readonly ConfirmedVersion[] = [confirmed()],
): RuleBook {
  return {
    rulesVersion,
    tables,
    versionsOf: () => versions,
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

function forward(revision: CheckedSoFar, book: RuleBook) {
  const brought = bringForward([revision], book, neverFails).get(revision)
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
    const brought = bringForward([revision], broken, (_one, error) => told.push(error)).get(revision)
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
