import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import {
  type ApprovalRow,
  clippedBy,
  type InForce,
  insertInterval,
  type PlanInterval,
  restoredBy,
  retellInForce,
  withdrawInterval,
} from '../../src/plans/in-force.ts'

const approval = (revision: number, approvedAt: number, from: number, withdrawn?: [number, number]): ApprovalRow => ({
  revision,
  approvedAt,
  from,
  withdrawnAt: withdrawn?.[0] ?? null,
  withdrawnFrom: withdrawn?.[1] ?? null,
})
const brief = (rows: readonly PlanInterval[]) =>
  [...rows]
    .sort((a, b) => a.revision - b.revision)
    .map(({ revision, from, until }) => `${revision} [${from}, ${until ?? 'on'})`)

/** The same, act by act, as the acts themselves do it to the rows. */
function actByAct(acts: readonly { at: number; row: ApprovalRow; isWithdrawal: boolean }[]): PlanInterval[] {
  const rows: { revision: number; from: number; until: number | null }[] = []
  for (const { row, isWithdrawal } of acts) {
    if (isWithdrawal) {
      const those = rows.filter(({ revision }) => revision === row.revision)
      for (const { row: one, until } of withdrawInterval(those, row.withdrawnFrom ?? 0)) one.until = until
      continue
    }
    const { ended, until } = insertInterval(rows, row.from)
    for (const { row: one, until: end } of ended) one.until = end
    rows.push({ revision: row.revision, from: row.from, until })
  }
  return rows
}

const histories = fc
  .array(
    fc.record({
      later: fc.integer({ min: 1, max: 6 }),
      ahead: fc.integer({ min: 1, max: 25 }),
      withdrawnAfter: fc.option(fc.integer({ min: 1, max: 30 }), { freq: 3 }),
      withdrawnAhead: fc.integer({ min: 1, max: 15 }),
    }),
    { minLength: 1, maxLength: 12 },
  )
  .map((steps) => {
    let now = 0
    const rows = steps.map(({ later, ahead, withdrawnAfter, withdrawnAhead }, index) => {
      // Even instants for approvals, odd ones for withdrawals, so that no two acts are made at one.
      now += later * 2
      const withdrawnAt = withdrawnAfter === null ? undefined : now + withdrawnAfter * 2 + 1
      const withdrawn: [number, number] | undefined =
        withdrawnAt === undefined ? undefined : [withdrawnAt, withdrawnAt + withdrawnAhead]
      return approval(index + 1, now, now + ahead, withdrawn)
    })
    const acts = rows.flatMap((row) => [
      { at: row.approvedAt, row, isWithdrawal: false },
      ...(row.withdrawnAt === null ? [] : [{ at: row.withdrawnAt, row, isWithdrawal: true }]),
    ])
    return { rows, acts: acts.sort((a, b) => a.at - b.at || a.row.revision - b.row.revision) }
  })

describe('intervals told again', () => {
  test('are what the acts came to, in whatever order the rows are read', () => {
    fc.assert(
      fc.property(histories, ({ rows, acts }) => {
        expect(brief(retellInForce([...rows].reverse()))).toEqual(brief(actByAct(acts)))
      }),
    )
  })

  test('without a cancelled approval are as if it had never been given', () => {
    fc.assert(
      fc.property(histories, fc.nat(), ({ rows, acts }, which) => {
        const cancelled = (which % rows.length) + 1
        const rest = acts.filter(({ row }) => row.revision !== cancelled)
        const restored = new Map(restoredBy(rows, cancelled).map((row) => [row.revision, row]))
        const after = retellInForce(rows)
          .filter(({ revision }) => revision !== cancelled)
          .map((row) => restored.get(row.revision) ?? row)
        expect(brief(after)).toEqual(brief(actByAct(rest)))
        // A cancellation only gives back.
        const before = new Map(retellInForce(rows).map((row) => [row.revision, row.until]))
        for (const { revision, until } of restored.values()) {
          expect(until ?? Number.POSITIVE_INFINITY).toBeGreaterThan(before.get(revision) ?? Number.POSITIVE_INFINITY)
        }
      }),
    )
  })

  test('give back only what the cancelled one took: 1 ended for 3, which was withdrawn, stays ended', () => {
    const rows = [approval(1, 0, 1), approval(2, 10, 100), approval(3, 20, 50, [30, 31])]
    expect(brief(retellInForce(rows))).toEqual(['1 [1, 50)', '2 [100, on)', '3 [50, 50)'])
    expect(restoredBy(rows, 2)).toEqual([])
    expect(brief(restoredBy(rows, 3))).toEqual(['1 [1, 100)'])
  })

  test('give back to the one that was replaced at the same instant', () => {
    const rows = [approval(1, 0, 1), approval(2, 10, 50), approval(3, 20, 50)]
    expect(brief(restoredBy(rows, 3))).toEqual(['2 [50, on)'])
    expect(restoredBy(rows, 2)).toEqual([])
  })
})

describe('a row that is given back', () => {
  const row = (given: Partial<InForce>): InForce => ({
    plan: 'a',
    revision: 1,
    product: 'EX36',
    variant: '',
    operation: 'final',
    site: 'leeds',
    from: 10,
    until: 50,
    ...given,
  })

  test('goes no further than to where another plan was approved in its cell since', () => {
    const other = row({ plan: 'b', from: 70, until: null })
    expect(clippedBy([other], row({}), null)).toBe(70)
    expect(clippedBy([other], row({}), 60)).toBe(60)
    expect(clippedBy([{ ...other, from: 50 }], row({}), null)).toBe(50)
    expect(clippedBy([{ ...other, site: 'osaka' }], row({}), null)).toBeNull()
    expect(clippedBy([{ ...other, until: 70 }], row({}), null)).toBeNull()
    expect(clippedBy([{ ...other, from: 0, until: 10 }], row({}), null)).toBeNull()
    // Emptied before it began, and another plan begins there: it stays empty.
    expect(clippedBy([{ ...other, from: 50 }], row({ from: 50, until: 50 }), null)).toBe(50)
  })
})
