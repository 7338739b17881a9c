import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { type PlacedRevision, type ScheduleFacts, type Upcoming, upcomingOf } from '../../src/schedule/upcoming.ts'

/** Small numbers stand for instants. */
const days = { now: 100, until: 1_000 }

function placed(given: Partial<PlacedRevision>): PlacedRevision {
  return {
    plan: 'ex36-final',
    revision: 7,
    product: 'EX36',
    operation: 'final',
    site: 'leeds',
    variants: ['EX36-3M', 'EX36-5M'],
    from: 0,
    until: null,
    blocks: [],
    ...given,
  }
}
const nothing: ScheduleFacts = { placed: [], editions: [], versions: [], calibrations: [] }
const block = (from: number, until: number | null = null) => ({ from, until, causes: ['requirement-not-met bond/3 b'] })
const of = (rows: readonly PlacedRevision[]) => upcomingOf({ ...nothing, placed: rows }, days)
const brief = ({ place: [at], change: { kind, revision } }: Upcoming) => `${at} ${kind} ${revision ?? ''}`.trim()

describe('what is going to happen', () => {
  test('is told in order: one revision ends and the next begins', () => {
    expect(of([placed({ until: 500 }), placed({ revision: 8, from: 500 })]).map(brief)).toEqual([
      '500 revision-ended 7',
      '500 revision-in-force 8',
    ])
  })

  test('a block of the revision in force leaves nothing, until when another begins', () => {
    const rows = [placed({ until: 500, blocks: [block(300)] }), placed({ revision: 8, from: 500 })]
    const all = of(rows)
    expect(all.map(brief)).toEqual([
      '300 nothing-in-force 7',
      '300 revision-blocked 7',
      '500 revision-ended 7',
      '500 revision-in-force 8',
    ])
    expect(all[0]?.change).toMatchObject({
      sites: ['leeds'],
      product: 'EX36',
      operation: 'final',
      variants: ['EX36-3M', 'EX36-5M'],
      plan: 'ex36-final',
      because: 'revision-blocked',
      causes: ['requirement-not-met bond/3 b'],
      until: writeInstant(500),
    })
  })

  test('where a successor is blocked the predecessor still ends, and nothing is in force', () => {
    const rows = [placed({ until: 500 }), placed({ revision: 8, from: 500, blocks: [block(500)] })]
    const gap = of(rows).find(({ change }) => change.kind === 'nothing-in-force')
    expect(gap?.change).toMatchObject({ at: writeInstant(500), revision: 8, because: 'revision-blocked', until: null })
  })

  test('where one is withdrawn and none follows, it says which one ended', () => {
    const gap = of([placed({ until: 500 })]).find(({ change }) => change.kind === 'nothing-in-force')
    expect(gap?.change).toMatchObject({ revision: 7, because: 'revision-ended', causes: [], until: null })
  })

  test('a block that is lifted from a later instant says until when', () => {
    const gap = of([placed({ blocks: [block(300, 400)] })]).find(({ change }) => change.kind === 'nothing-in-force')
    expect(gap?.change).toMatchObject({ at: writeInstant(300), until: writeInstant(400) })
  })

  test('variants and sites that fare alike are told together, others apart', () => {
    const rows = [
      placed({ variants: ['EX36-3M'], until: 500 }),
      placed({ variants: ['EX36-5M'] }),
      placed({ site: 'osaka', until: 500 }),
      placed({ revision: 8, site: 'osaka', variants: ['EX36-5M'], from: 500 }),
    ]
    const told = of(rows).map(({ change }) => [change.kind, change.sites?.join(), change.variants.join()])
    expect(told).toEqual([
      ['nothing-in-force', 'leeds', 'EX36-3M'],
      ['nothing-in-force', 'osaka', 'EX36-3M'],
      ['revision-ended', 'leeds,osaka', 'EX36-3M,EX36-5M'],
      ['revision-in-force', 'osaka', 'EX36-5M'],
    ])
  })

  test('of a product without variants it names none', () => {
    expect(of([placed({ variants: [''], until: 500 })])[0]?.change.variants).toEqual([])
  })

  test('takes the days asked for: not what is, and the last instant included', () => {
    expect(of([placed({ until: 100 })])).toEqual([])
    expect(of([placed({ until: 1_000 })]).map(brief)).toEqual(['1000 nothing-in-force 7', '1000 revision-ended 7'])
    expect(of([placed({ until: 1_001 })])).toEqual([])
    expect(of([placed({ blocks: [block(50)] })])).toEqual([])
  })

  test('tells of editions, product versions and calibrations as well', () => {
    const facts: ScheduleFacts = {
      ...nothing,
      editions: [{ at: 300, table: 'bond', edition: 4 }],
      versions: [{ at: 200, product: 'EX36', version: 4 }],
      calibrations: [
        { at: 400, site: 'leeds', station: 'LDS-F2', instrument: 'INS-0031', calibration: 'CAL-1' },
        { at: 90, site: 'leeds', station: 'LDS-F3', instrument: 'INS-0040', calibration: 'CAL-2' },
      ],
    }
    expect(upcomingOf(facts, days).map(({ change }) => change)).toMatchObject([
      { kind: 'version-in-effect', product: 'EX36', version: 4, sites: null },
      { kind: 'edition-in-effect', table: 'bond', edition: 4, sites: null },
      { kind: 'calibration-due', station: 'LDS-F2', instrument: 'INS-0031', calibration: 'CAL-1', sites: ['leeds'] },
    ])
  })
})

/** Rows of one variant at one site, one after another with or without a gap, with blocks anywhere. */
const histories = fc
  .array(
    fc.record({
      gap: fc.constantFrom(0, 0, 7),
      length: fc.integer({ min: 1, max: 40 }),
      blocks: fc.array(fc.tuple(fc.integer({ min: -10, max: 40 }), fc.option(fc.integer({ min: 1, max: 20 }))), {
        maxLength: 2,
      }),
    }),
    { minLength: 1, maxLength: 6 },
  )
  .map((parts) => {
    let at = 80
    return parts.map(({ gap, length, blocks }, index): PlacedRevision => {
      const from = at + gap
      at = from + length
      const spans = blocks.map(([after, lasting]) =>
        block(from + after, lasting === null ? null : from + after + lasting),
      )
      return placed({
        revision: index + 1,
        variants: [''],
        from,
        until: index === parts.length - 1 && length % 2 === 0 ? null : at,
        blocks: spans.sort((one, other) => one.from - other.from),
      })
    })
  })

test('the gaps that are told are those that asking instant by instant finds', () => {
  fc.assert(
    fc.property(histories, (rows) => {
      const end = 300
      const holds = ({ from, until }: { from: number; until: number | null }, at: number) =>
        from <= at && (until === null || at < until)
      const isUsable = (at: number) => rows.some((row) => holds(row, at) && !row.blocks.some((one) => holds(one, at)))
      const found: string[] = []
      for (let at = 101; at <= end; at += 1) {
        if (isUsable(at) || !isUsable(at - 1)) continue
        let until: number | null = at
        while (until !== null && !isUsable(until)) until = until > 1_000 ? null : until + 1
        const holder = rows.find((row) => holds(row, at))
        const why = holder === undefined ? 'revision-ended' : `revision-blocked ${holder.revision}`
        found.push(`${at} ${until ?? 'on'} ${why}`)
      }
      const told = upcomingOf({ ...nothing, placed: rows }, { now: 100, until: end })
        .filter(({ change }) => change.kind === 'nothing-in-force')
        .map(({ place: [at], change: { until, because, revision } }) => {
          const why = because === 'revision-ended' ? because : `${because} ${revision}`
          return `${at} ${until === null ? 'on' : Date.parse(until)} ${why}`
        })
      expect(told).toEqual(found)
    }),
  )
})

test('places are all different, so that pages give each change once', () => {
  fc.assert(
    fc.property(histories, histories, (rows, others) => {
      const facts = { ...nothing, placed: [...rows, ...others.map((row) => ({ ...row, site: 'osaka' }))] }
      const places = upcomingOf(facts, days).map(({ place }) => place.join(' '))
      expect(new Set(places).size).toBe(places.length)
    }),
  )
})
