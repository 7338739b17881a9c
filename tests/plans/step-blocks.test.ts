import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type Block, demandableFrom, liftedBlocks, stepBlocks } from '../../src/plans/step-blocks.ts'

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

describe('lifting', () => {
  const lift = { at: 300, now: 299, version: 5 }

  test('ends the open block at its own instant, whatever else is there', () => {
    expect(liftedBlocks([block(200, 3)], undefined, lift)).toEqual({ blocks: [{ ...block(200, 3), until: 300 }] })
    const earlier = { ...block(100, 2), until: 150 }
    expect(liftedBlocks([earlier, block(200, 3)], undefined, lift)).toEqual({
      blocks: [earlier, { ...block(200, 3), until: 300 }],
    })
  })

  test('is refused while a finding stands at the instant, and where nothing has begun', () => {
    expect(liftedBlocks([block(200, 3)], demand(300), lift)).toEqual({ refused: 'finding-stands' })
    expect(liftedBlocks([], undefined, lift)).toEqual({ refused: 'not-blocked' })
    expect(liftedBlocks([{ ...block(200, 3), until: 250 }], undefined, lift)).toEqual({ refused: 'not-blocked' })
    // One that has not begun when it is signed disappears with its cause, and by nothing else.
    expect(liftedBlocks([block(300, 3)], undefined, { ...lift, at: 400 })).toEqual({ refused: 'not-blocked' })
  })

  test('leaves what findings demand later, which goes with its cause', () => {
    const lifted = liftedBlocks([block(200, 3)], demand(400), lift)
    expect(lifted).toEqual({ blocks: [{ ...block(200, 3), until: 300 }, block(400, 5)] })
    const blocks = 'blocks' in lifted ? lifted.blocks : []
    expect(stepBlocks(blocks, undefined, { version: 6, publishedAt: 350 })).toEqual([{ ...block(200, 3), until: 300 }])
    expect(stepBlocks(blocks, undefined, { version: 6, publishedAt: 400 })).toEqual(blocks)
  })

  test('is not undone by a later version that finds what was found before, in time that is over or was lifted', () => {
    const lifted = [{ ...block(200, 3), until: 300 }]
    expect(demandableFrom(lifted, 1, { publishedAt: 350 })).toBe(351)
    expect(demandableFrom(lifted, 1, { publishedAt: 250 })).toBe(300)
    expect(demandableFrom(lifted, 400, { publishedAt: 250 })).toBe(400)
    expect(demandableFrom([block(200, 3)], 1, { publishedAt: 250 })).toBe(251)
  })
})
