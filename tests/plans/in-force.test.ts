import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { conflicting, expandInForce, type InForce, insertInterval, withdrawInterval } from '../../src/plans/in-force.ts'
import { plan } from './aldermoor.ts'

const variants = ['EX36-3M', 'EX36-5M']

function row(given: Partial<InForce>): InForce {
  return {
    plan: 'ex36-final',
    revision: 1,
    product: 'EX36',
    variant: 'EX36-3M',
    operation: 'final',
    site: 'leeds',
    from: 100,
    until: null,
    ...given,
  }
}

describe('where a revision comes in force', () => {
  test('at the sites it names, for every variant', () => {
    const { cells, unknownSites } = expandInForce(plan({ '/sites': ['leeds', 'osaka'] }), variants, ['leeds', 'osaka'])
    expect(cells).toHaveLength(4)
    expect(cells[3]).toEqual({ product: 'EX36', variant: 'EX36-5M', operation: 'final', site: 'osaka' })
    expect(unknownSites).toEqual([])
  })

  test('at every open site where it names none', () => {
    const { cells } = expandInForce(plan({ '/sites': undefined }), [''], ['leeds', 'osaka'])
    expect(cells.map(({ site, variant }) => `${site}${variant}`)).toEqual(['leeds', 'osaka'])
  })

  test('a site that is not open is named by its place', () => {
    expect(expandInForce(plan({ '/sites': ['leeds', 'york'] }), variants, ['leeds']).unknownSites).toEqual([1])
  })
})

describe('an approval', () => {
  test('ends the predecessor at its instant', () => {
    const rows = [row({ from: 100, until: null })]
    expect(insertInterval(rows, 200)).toEqual({ ended: [{ row: rows[0], until: 200 }], until: null })
  })

  test('ends at the next scheduled start of the plan', () => {
    const rows = [row({ from: 100, until: 300 }), row({ revision: 2, from: 300, until: null })]
    expect(insertInterval(rows, 200)).toEqual({ ended: [{ row: rows[0], until: 200 }], until: 300 })
  })

  test('leaves what ended before, at its very instant too', () => {
    expect(insertInterval([row({ from: 100, until: 200 })], 200)).toEqual({ ended: [], until: null })
  })

  test('replaces one scheduled at the same instant, and ignores an emptied one', () => {
    const rows = [row({ from: 200, until: null })]
    expect(insertInterval(rows, 200).ended).toEqual([{ row: rows[0], until: 200 }])
    expect(insertInterval([row({ from: 300, until: 300 })], 200)).toEqual({ ended: [], until: null })
  })

  test('is refused where another plan is in force', () => {
    const cells = [{ product: 'EX36', variant: 'EX36-3M', operation: 'final', site: 'leeds' }]
    const asked = { plan: 'ex36-final', cells, from: 200, until: 300 }
    const others = [
      row({ plan: 'a', from: 100, until: 200 }),
      row({ plan: 'b', from: 300, until: null }),
      row({ plan: 'c', from: 250, until: 250 }),
      row({ plan: 'd', site: 'osaka' }),
      row({ plan: 'e', variant: 'EX36-5M' }),
      row({ plan: 'f', operation: 'sub' }),
      row({ plan: 'ex36-final' }),
      row({ plan: 'h', from: 299, until: null }),
      row({ plan: 'i', from: 100, until: 201 }),
    ]
    expect(conflicting(others, asked).map(({ plan }) => plan)).toEqual(['h', 'i'])
    expect(conflicting(others, { ...asked, until: null }).map(({ plan }) => plan)).toEqual(['b', 'h', 'i'])
  })
})

describe('a withdrawal', () => {
  test('ends what is in force, empties what is scheduled, leaves what is over', () => {
    const rows = [
      row({ from: 100 }),
      row({ from: 300, until: 400 }),
      row({ from: 100, until: 200 }),
      row({ from: 300, until: 300 }),
    ]
    expect(withdrawInterval(rows, 250)).toEqual([
      { row: rows[0], until: 250 },
      { row: rows[1], until: 300 },
    ])
    expect(withdrawInterval(rows, 200)).toHaveLength(2)
  })
})

test('however approvals and withdrawals follow, a plan has one revision in force, the one approved last for it', () => {
  const act = fc.record({
    isWithdrawal: fc.boolean(),
    later: fc.integer({ min: 1, max: 5 }),
    ahead: fc.integer({ min: 1, max: 20 }),
    which: fc.nat({ max: 20 }),
  })
  fc.assert(
    fc.property(fc.array(act, { maxLength: 25 }), (acts) => {
      const rows: { revision: number; from: number; until: number | null }[] = []
      /** The claim in the simplest form: for each instant the revision, overwritten act by act. */
      const claimed = new Map<number, number>()
      const withdrawn = new Set<number>()
      let now = 0
      for (const { isWithdrawal, later, ahead, which } of acts) {
        now += later
        if (isWithdrawal) {
          const revision = rows[which % Math.max(1, rows.length)]?.revision
          if (revision === undefined || withdrawn.has(revision)) continue
          withdrawn.add(revision)
          for (const { row, until } of withdrawInterval(
            rows.filter((one) => one.revision === revision),
            now,
          ))
            row.until = until
          for (const [at, holder] of claimed) if (holder === revision && at >= now) claimed.delete(at)
          continue
        }
        const from = now + ahead
        const revision = rows.length + 1
        const { ended, until } = insertInterval(rows, from)
        for (const { row, until: end } of ended) row.until = end
        rows.push({ revision, from, until })
        for (let at = from; at < (until ?? 200); at += 1) claimed.set(at, revision)
      }
      for (let at = 0; at < 200; at += 1) {
        const holding = rows.filter((one) => one.from <= at && (one.until === null || one.until > at))
        expect(holding.map(({ revision }) => revision)).toEqual(claimed.has(at) ? [claimed.get(at)] : [])
      }
    }),
  )
})
