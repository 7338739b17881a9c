import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { begunLater } from '../../src/plans/check.ts'
import { blockDemand, type Finding } from '../../src/plans/findings.ts'
import { type Block, stepBlocks } from '../../src/plans/step-blocks.ts'
import {
  bondTable,
  brief,
  type Changes,
  check,
  checkWholly,
  confirmed,
  published,
  rows,
  strength,
} from './aldermoor.ts'

describe('a rule that changes', () => {
  const before = bondTable('10', { rulesVersion: 3 })
  const after = bondTable('25', { edition: 4, rulesVersion: 4, effectiveFrom: 500, publishedAt: 400 })
  const pairs = published({}, rows(['1500', '60', '-'], ['1800', '1', '-']))
  const bondAt = (least: string): Changes => ({
    '/steps/0/testCurrent': { least, most: '40', unit: 'A' },
    '/steps/0/sourceVoltage/most': '12',
  })
  const both = { tables: [before, after, pairs] }

  test('leaves alone what meets it', () => {
    expect(check({ ...both, changes: { ...strength('1800', '1'), ...bondAt('25') } }).findings).toEqual([])
  })

  test('blocks what does not, from its instant on', () => {
    const { findings } = check({ ...both, changes: { ...strength('1800', '1'), ...bondAt('10') } })
    expect(findings.map(brief)).toEqual(Array(2).fill('blocking requirement-not-met b testCurrent [500, on)'))
  })

  test('checks the revision wholly: an old defect is found as well', () => {
    const { findings } = check({ ...both, changes: { ...strength('1500', '1'), ...bondAt('30') } })
    expect(findings.every(({ from, table }) => from === 100 && table === 'extractor-strength')).toBe(true)
    expect(findings).toHaveLength(2)
  })

  test('is not known before it was published', () => {
    const known = check({ ...both, changes: { ...strength('1800', '1'), ...bondAt('10') }, knownVersion: 3 })
    expect(known.findings).toEqual([])
  })

  test('and is loosened again: the finding ends, interval by interval', () => {
    const loosened = bondTable('10', { edition: 5, rulesVersion: 5, effectiveFrom: 800, publishedAt: 600 })
    const { findings, applied } = check({
      tables: [before, after, loosened, pairs],
      changes: { ...strength('1800', '1'), ...bondAt('10') },
    })
    expect(findings.map(brief)).toEqual(Array(2).fill('blocking requirement-not-met b testCurrent [500, 800)'))
    expect(applied).toEqual([
      { from: 100, until: 500, editions: ['bond/3', 'extractor-strength/3'] },
      { from: 500, until: 800, editions: ['bond/4', 'extractor-strength/3'] },
      { from: 800, until: null, editions: ['bond/5', 'extractor-strength/3'] },
    ])
  })
})

describe('a check begun later', () => {
  const later = (tables: Parameters<typeof check>[0], at: number) => begunLater(checkWholly(tables), 100, at)
  const after = bondTable('25', { rulesVersion: 4, effectiveFrom: 500 })

  test('is the check from there on, as long as nothing changes up to then', () => {
    for (const given of [{}, { tables: [published(), after] }, { changes: strength('1190', '1.0') }]) {
      expect(later(given, 100)).toEqual(checkWholly(given))
      expect(later(given, 499)).toEqual(checkWholly({ ...given, from: 499 }))
    }
  })

  test('cannot be said where something begins or ends up to then, or time ran backwards', () => {
    const given = { tables: [published(), after] }
    expect(later(given, 500)).toBeUndefined()
    expect(later(given, 501)).toBeUndefined()
    expect(later({}, 99)).toBeUndefined()
    expect(later({ tables: [{ ...after, compiled: null }] }, 500)).toBeUndefined()
    const versions = [confirmed({ effectiveFrom: 300 })]
    expect([later({ versions }, 299), later({ versions }, 300)]).toEqual([expect.anything(), undefined])
  })
})

describe('what cannot be checked is blocked', () => {
  test('content that can no longer be read', () => {
    const { verdict, findings } = check({ changes: { '/steps/0/testCurrent/least': 'twenty' } })
    expect(verdict).toBe('not-checkable')
    expect(findings[0]).toMatchObject({ severity: 'blocking', code: 'content-not-readable', from: 100, until: null })
    expect(findings[0]?.facts['because']).toContain('/steps/0/testCurrent/least')
    expect(check({ changes: { '/steps/0/limitUpper/formula': 'if' } }).verdict).toBe('not-checkable')
  })

  test('an edition that can no longer be read, while it is in effect', () => {
    const broken = { ...published({ effectiveFrom: 500, rulesVersion: 3 }), edition: 4, compiled: null }
    const { verdict, findings } = check({ tables: [published(), broken] })
    expect(verdict).toBe('not-checkable')
    expect(findings.map(brief)).toEqual(['blocking edition-not-readable - - [500, on)'])
  })

  test('a product version that is not confirmed, not known yet or another', () => {
    for (const versions of [[], [confirmed({ rulesVersion: 100 })], [confirmed({ digest: 'sha256:other' })]]) {
      const { verdict, findings } = check({ versions })
      expect([verdict, findings[0]?.code]).toEqual(['not-checkable', 'product-version-unconfirmed'])
    }
  })

  test('a time before any version is in effect', () => {
    const { verdict, findings } = check({ versions: [confirmed({ effectiveFrom: 300 })] })
    expect(verdict).toBe('not-checkable')
    expect(findings.map(brief)).toEqual(['blocking product-not-in-effect - - [100, 300)'])
  })
})

describe('a product that changes', () => {
  const next = (changes: Changes) => [
    confirmed(),
    confirmed({ version: 4, digest: 'sha256:4', effectiveFrom: 500, rulesVersion: 3 }, changes),
  ]

  test('a new variant only warns', () => {
    const { verdict, findings } = check({ versions: next({ '/variants/2': { variant: 'EX36-9M' } }) })
    expect(verdict).toBe('conforms')
    expect(findings.map(brief)).toEqual(['warning variant-not-covered - - [500, on)'])
    expect(findings[0]?.variant).toBe('EX36-9M')
  })

  test('a variant that is gone cannot be checked', () => {
    const { findings } = check({ versions: next({ '/variants/0/variant': 'EX36-2M' }) })
    expect(findings.map(({ code, variant }) => [code, variant])).toEqual([
      ['variant-unknown', 'EX36-3M'],
      ['variant-not-covered', 'EX36-2M'],
    ])
  })

  test('a greater capacitance blocks by its physics', () => {
    const { findings } = check({ versions: next({ '/attributes/liveToEarthCapacitance/value': '6.8' }) })
    expect(findings.map(brief)).toEqual(Array(2).fill('blocking expected-current-above-limit - limitUpper [500, on)'))
  })

  test('an earthed part that is gone blocks by its terminal', () => {
    const { findings } = check({ versions: next({ '/attributes/earthedParts': ['motor-housing'] }) })
    expect(findings[0]).toMatchObject({
      code: 'product-disagrees',
      step: 'bond',
      measurement: 'hose-collar',
      facts: { pointer: '/steps/0/measurements/1/to/0' },
    })
  })

  test('rules ask the version in effect, whichever the revision cites', () => {
    const { findings } = check({ versions: next({ '/attributes/ratedVoltage/value': '300' }) })
    // 1.2 * (500 + 2 * 300) V for 1 s: the plan accepts 1200 V.
    expect(findings[0]).toMatchObject({ from: 500, row: 'b6', demanded: { value: '1320', unit: 'V' } })
  })
})

/** Editions of three tables, one rules version each, at instants that follow their publication. */
const histories = fc
  .array(
    fc.record({
      table: fc.constantFrom('a', 'b', 'c'),
      least: fc.constantFrom('8', '10', '11', '25'),
      gap: fc.integer({ min: 1, max: 30 }),
      ahead: fc.integer({ min: 1, max: 90 }),
      binds: fc.boolean(),
    }),
    { maxLength: 8 },
  )
  .map((steps) => {
    let publishedAt = 0
    return steps.map(({ table, least, gap, ahead, binds }, index) => {
      publishedAt += gap
      const edition = bondTable(least, {
        rulesVersion: index + 2,
        publishedAt,
        effectiveFrom: publishedAt + ahead,
        bindsBecause: binds ? 'house rule' : undefined,
      })
      if (!edition.compiled) throw new Error('the edition was compiled')
      return { ...edition, table, edition: index + 1, compiled: { ...edition.compiled, table, edition: index + 1 } }
    })
  })

describe('however rules are published', () => {
  test('findings do not depend on the order in which the tables were read', () => {
    fc.assert(
      fc.property(histories, fc.infiniteStream(fc.nat({ max: 100 })), (tables, order) => {
        const shuffled = tables.map((table) => ({ table, at: order.next().value })).sort((a, b) => a.at - b.at)
        expect(checkWholly({ tables: shuffled.map(({ table }) => table) })).toEqual(checkWholly({ tables }))
      }),
      { numRuns: 60 },
    )
  })

  test('a check along time says at each instant what a check at that instant says', () => {
    fc.assert(
      fc.property(histories, fc.integer({ min: 0, max: 250 }), (tables, later) => {
        const along = checkWholly({ tables, from: 0 }).findings
        const holding = along.filter(({ from, until }) => from <= later && (until === null || until > later))
        const there = checkWholly({ tables, from: later }).findings.filter(({ from }) => from === later)
        const without = ({ from: _, until: __, ...rest }: Finding) => JSON.stringify(rest)
        expect(holding.map(without).sort()).toEqual(there.map(without).sort())
      }),
      { numRuns: 60 },
    )
  })

  test('the blocks are the same whether versions are checked one by one or late, and what had begun stays', () => {
    fc.assert(
      fc.property(histories, fc.nat({ max: 8 }), (tables, late) => {
        const step = (held: readonly Block[], version: number) => {
          const publishedAt = tables[version - 2]?.publishedAt ?? 0
          const findings = checkWholly({ tables, from: 1, knownVersion: version }).findings
          return stepBlocks(held, blockDemand(findings, 1), { version, publishedAt })
        }
        const versions = tables.map(({ rulesVersion }) => rulesVersion)
        const promptly = versions.reduce<Block[]>(step, [])
        // Some other process began, died after `late` versions, and this one goes on from what it stored.
        const begun = versions.slice(0, late).reduce<Block[]>(step, [])
        // It is handed the tables in another order.
        const reversed = [...tables].reverse()
        const resumed = versions.slice(late).reduce<Block[]>((held, version) => {
          const publishedAt = tables[version - 2]?.publishedAt ?? 0
          const { findings } = checkWholly({ tables: reversed, from: 1, knownVersion: version })
          return stepBlocks(held, blockDemand(findings, 1), { version, publishedAt })
        }, begun)
        expect(resumed).toEqual(promptly)
        // Nobody may use the revision at an instant at which a version known then demanded otherwise.
        for (const version of versions) {
          const { findings } = checkWholly({ tables, from: 1, knownVersion: version })
          const next = tables[version - 1]?.publishedAt ?? Number.POSITIVE_INFINITY
          for (const { severity, from } of findings) {
            if (severity === 'blocking' && from <= next) expect(promptly[0]?.from).toBeLessThanOrEqual(from)
          }
        }
      }),
      { numRuns: 60 },
    )
  })
})
