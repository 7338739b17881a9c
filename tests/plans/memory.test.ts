import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { checkPrepared } from '../../src/plans/check.ts'
import { prepareMemory, prepareRevision } from '../../src/plans/prepare.ts'
import { preparedMemory } from '../../src/plans/prepared-memory.ts'
import { type PublishedTable, ruleTimeline, timelineMemory } from '../../src/plans/rule-timeline.ts'
import { planWire } from '../support/aldermoor.ts'
import { bondTable, type Changes, changed, checkWholly, confirmed, published, rows } from './aldermoor.ts'

/** What is kept from one check to the next saves time and must change nothing. */

const versions = [
  confirmed(),
  confirmed({ rulesVersion: 4, publishedAt: 130, effectiveFrom: 260 }, { '/version': 4, '/ruleSets': ['other'] }),
  confirmed({ rulesVersion: 7, publishedAt: 250, effectiveFrom: 420 }, { '/version': 5 }),
]
/** Rules versions that are product versions, and the tables'. */
const ofTables = [2, 3, 5, 6, 8, 9, 10]

const histories = fc
  .array(
    fc.record({
      kind: fc.constantFrom('bond', 'other bond', 'strength', 'unreadable'),
      least: fc.constantFrom('8', '10', '25'),
      ahead: fc.integer({ min: 1, max: 300 }),
      isOfOther: fc.boolean(),
    }),
    { minLength: 2, maxLength: ofTables.length },
  )
  .map((history) =>
    history.map(({ kind, least, ahead, isOfOther }, index): PublishedTable => {
      const rulesVersion = ofTables[index] ?? 99
      const given = { rulesVersion, publishedAt: rulesVersion * 40, effectiveFrom: rulesVersion * 40 + ahead }
      const changes: Changes = isOfOther ? { '/ruleSet': 'other' } : {}
      if (kind === 'strength')
        return published(given, { ...rows([least === '25' ? '1800' : '1000', '1', '-']), ...changes })
      const table = kind === 'bond' ? 'bond' : 'other-bond'
      const edition = bondTable(least, { ...given, edition: rulesVersion }, { ...changes, '/table': table })
      return kind === 'unreadable' ? { ...edition, compiled: null } : edition
    }),
  )

const plans: readonly Changes[] = [
  {},
  { '/plan': 'another', '/operation': 'other' },
  { '/steps/0/testCurrent': { least: '9', most: '40', unit: 'A' } },
  { '/steps/0/required': false },
  { '/productVersion': 99 },
]

describe('what timelines and plans have worked out', () => {
  test('holds at every version, in whatever order they are asked', { timeout: 20_000 }, () => {
    fc.assert(
      fc.property(
        histories,
        fc.array(fc.record({ version: fc.integer({ min: 1, max: 10 }), plan: fc.nat({ max: plans.length - 1 }) }), {
          minLength: 4,
          maxLength: 12,
        }),
        fc.integer({ min: 60, max: 300 }),
        (tables, asked, from) => {
          const [steps, memory] = [prepareMemory(), timelineMemory()]
          for (const { version, plan } of asked) {
            const changes = plans[plan] ?? {}
            const read = prepareRevision(changed(planWire, changes), steps)
            if ('refused' in read) throw new Error(read.refused)
            const timeline = ruleTimeline(tables, version, memory)
            const check = checkPrepared(read.prepared, { versions, timeline, from })
            expect(check).toEqual(checkWholly({ changes, versions, tables, from, knownVersion: version }))
          }
        },
      ),
      { numRuns: 50 },
    )
  })

  test('is shared by plans of the same steps, and by timelines in which the same editions are in effect', () => {
    const steps = prepareMemory()
    const prepared = plans.map((changes) => {
      const read = prepareRevision(changed(planWire, changes), steps)
      if ('refused' in read) throw new Error(read.refused)
      return read.prepared
    })
    const [one, alike, other, optional] = prepared
    expect(alike?.planned).toBe(one?.planned)
    expect(alike?.content.plan).toBe('another')
    expect(other?.planned.steps[1]).toBe(one?.planned.steps[1])
    expect(other?.planned.steps[0]).not.toBe(one?.planned.steps[0])
    // Bonding that need not be run comes before nothing, and what comes before what is a part of each step.
    expect(optional?.planned.steps[0]?.groups[0]?.accepted('EX36-3M')('precedes')).not.toEqual(
      one?.planned.steps[0]?.groups[0]?.accepted('EX36-3M')('precedes'),
    )

    const memory = timelineMemory()
    const before = published({ rulesVersion: 2 })
    const elsewhere = published({ rulesVersion: 3, effectiveFrom: 50 }, { '/ruleSet': 'elsewhere', '/table': 'e' })
    const later = bondTable('10', { rulesVersion: 4, effectiveFrom: 900 })
    const version = confirmed()
    const [second, third, fourth] = [2, 3, 4].map((known) => {
      return ruleTimeline([before, elsewhere, later], known, memory)
    })
    expect(third?.inEffectAt(100, version)).toBe(second?.inEffectAt(100, version))
    expect(fourth?.inEffectAt(100, version)).toBe(second?.inEffectAt(100, version))
    expect(fourth?.inEffectAt(900, version)).not.toBe(second?.inEffectAt(900, version))
  })

  test('a step is refused at its place, though others of the plan are known', () => {
    const steps = prepareMemory()
    const read = (changes: Changes) => prepareRevision(changed(planWire, changes), steps)
    expect(read({})).toHaveProperty('prepared')
    for (const [changes, place] of [
      [{ '/steps/1/dwell/unit': 'V' }, '/steps/1/dwell/unit'],
      [{ '/plan': 7 }, '/plan'],
      [{ '/more': 1 }, 'more'],
      [{ '/steps/0/limitUpper/formula': 'if' }, '/steps/0/limitUpper/formula'],
    ] as const) {
      for (const again of [1, 2]) expect(read(changes), `${again}`).toEqual({ refused: expect.stringContaining(place) })
    }
    expect(prepareRevision(changed(planWire, { '/steps': [] }), steps)).toHaveProperty('refused')
    expect(prepareRevision('steps', steps)).toHaveProperty('refused')
    expect(read({})).toHaveProperty('prepared')
  })
})

describe('prepared content', () => {
  const given = (name: string, rulesVersion: number) => {
    const content = canonicalText(changed(planWire, { '/plan': name }))
    return { content, digest: digestOf(content), rulesVersion }
  }

  test('is kept by its digest, and what cannot be read is not', () => {
    const memory = preparedMemory()
    const one = given('a', 1)
    const read = memory.prepare(one)
    expect(memory.recall(one.digest, 1)).toBe('prepared' in read && read.prepared)
    expect(memory.prepare({ ...one, content: '{}', digest: 'other' })).toHaveProperty('refused')
    expect(memory.recall('other', 1)).toBeUndefined()
  })

  test('where there is no room, those that are there stay while sweeps ask for them, and go when none does', () => {
    // Room for the steps, and three plans that have them.
    const memory = preparedMemory(given('a', 1).content.length * 8 + 3 * 2_000)
    const names = ['a', 'b', 'c', 'd', 'e']
    const known = (rulesVersion: number) =>
      names.filter((name) => memory.recall(given(name, 0).digest, rulesVersion) !== undefined)
    for (const name of names) memory.prepare(given(name, 1))
    expect(known(2)).toEqual(['a', 'b', 'c'])
    expect(known(3)).toEqual(['a', 'b', 'c'])
    // Version 4 asks for two of them; at version 6 the third has not been asked for in two sweeps.
    for (const name of ['a', 'b']) for (const version of [4, 5]) memory.recall(given(name, 0).digest, version)
    memory.prepare(given('d', 6))
    memory.prepare(given('e', 6))
    expect(known(6)).toEqual(['a', 'b', 'd'])
  })
})
