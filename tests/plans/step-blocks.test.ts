import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Block, stepBlocks } from '../../src/plans/step-blocks.ts'

function demand(from: number) {
  return { from, causes: ['requirement-not-met'] }
}

function block(from: number, causeVersion: number): Block {
  return { from, until: null, causeVersion, causes: ['requirement-not-met'] }
}

describe('blocks after one more rules version', () => {
  test('a demand makes one, from its instant', () => {
    expect(stepBlocks([], demand(200), { version: 3, publishedAt: 100 })).toEqual([block(200, 3)])
  })

  test('never before the commit that causes it', () => {
    expect(stepBlocks([], demand(50), { version: 3, publishedAt: 100 })).toEqual([block(101, 3)])
  })

  test('one that has begun stays when the rule is loosened', () => {
    expect(stepBlocks([block(200, 3)], undefined, { version: 4, publishedAt: 200 })).toEqual([block(200, 3)])
  })

  test('one that has not begun goes with its cause', () => {
    expect(stepBlocks([block(200, 3)], undefined, { version: 4, publishedAt: 199 })).toEqual([])
  })

  test('one that has not begun moves with the demand, earlier or later', () => {
    expect(stepBlocks([block(200, 3)], demand(150), { version: 4, publishedAt: 120 })).toEqual([block(150, 4)])
    expect(stepBlocks([block(200, 3)], demand(250), { version: 4, publishedAt: 120 })).toEqual([block(250, 4)])
  })

  test('one that has begun covers a later demand', () => {
    expect(stepBlocks([block(200, 3)], demand(400), { version: 4, publishedAt: 300 })).toEqual([block(200, 3)])
  })

  test('one that was ended stays as history and covers nothing', () => {
    const ended = { ...block(200, 3), until: 300 }
    expect(stepBlocks([ended], demand(400), { version: 4, publishedAt: 350 })).toEqual([ended, block(400, 4)])
  })
})

/** Publications in the order of time, each with what it demands. */
const versions = fc
  .array(fc.record({ gap: fc.integer({ min: 1, max: 10 }), demanded: fc.option(fc.integer({ min: 1, max: 120 })) }), {
    maxLength: 12,
  })
  .map((steps) => {
    let publishedAt = 0
    return steps.map(({ gap, demanded }, index) => {
      publishedAt += gap
      return { version: index + 1, publishedAt, demand: demanded === null ? undefined : demand(demanded) }
    })
  })

describe('version by version', () => {
  test('the result is the first demand that was not taken back before it began', () => {
    fc.assert(
      fc.property(versions, (given) => {
        const blocks = given.reduce<Block[]>(
          (held, { demand, ...published }) => stepBlocks(held, demand, published),
          [],
        )
        // Said another way: a demand counts if it began no later than the next publication, or there is none.
        const counting = given.flatMap(({ demand, version, publishedAt }, index) => {
          if (!demand) return []
          const from = Math.max(demand.from, publishedAt + 1)
          const next = given[index + 1]
          return next && from > next.publishedAt ? [] : [block(from, version)]
        })
        expect(blocks).toEqual(counting.slice(0, 1))
      }),
    )
  })

  test('it is the same whoever checks, in how many portions, and whether some checks are lost and repeated', () => {
    fc.assert(
      fc.property(versions, fc.array(fc.nat({ max: 12 })), (given, portions) => {
        const stored = new Map<number, Block[]>([[0, []]])
        const checkUpTo = (target: number) => {
          const last = Math.max(...[...stored.keys()].filter((version) => version <= target))
          let blocks = stored.get(last) ?? []
          for (const { demand, ...published } of given.slice(last, target))
            blocks = stepBlocks(blocks, demand, published)
          stored.set(target, blocks)
        }
        for (const target of portions) checkUpTo(Math.min(target, given.length))
        checkUpTo(given.length)
        const once = given.reduce<Block[]>((held, { demand, ...published }) => stepBlocks(held, demand, published), [])
        expect(stored.get(given.length)).toEqual(once)
      }),
    )
  })
})
