import fc from 'fast-check'
import { expect, test } from 'vitest'
import { grantUses } from '../../src/intake/permit-uses.ts'

const use = (serial: string, ...permits: string[]) => ({ product: 'EX36', serial, runId: `R-${serial}`, permits })

test('a unit counts once, and the quantity is never passed (trade case T43)', () => {
  const { granted, taken } = grantUses([use('K-1', 'DP-17'), use('K-2', 'DP-17'), use('K-1', 'DP-17')], {
    left: new Map([['DP-17', 1]]),
    used: new Set(),
  })
  expect(granted).toEqual([true, false, true])
  expect(taken).toMatchObject([{ serial: 'K-1', permit: 'DP-17' }])
})

test('a run that needs two has both or none', () => {
  const { granted, taken } = grantUses([use('A', 'DP-1', 'DP-2'), use('B', 'DP-1')], {
    left: new Map([
      ['DP-1', 1],
      ['DP-2', 0],
    ]),
    used: new Set(),
  })
  expect(granted).toEqual([false, true])
  expect(taken).toHaveLength(1)
})

test('however runs come in portions, no permit passes its quantity and each granted unit is counted once', () => {
  const anyUse = fc.record({ serial: fc.constantFrom('A', 'B', 'C', 'D', 'E'), permits: fc.subarray(['P', 'Q']) })
  fc.assert(
    fc.property(fc.array(fc.array(anyUse)), fc.nat(4), fc.nat(4), (portions, p, q) => {
      const left = new Map([
        ['P', p],
        ['Q', q],
      ])
      const used = new Set<string>()
      const counted = new Map([
        ['P', 0],
        ['Q', 0],
      ])
      for (const portion of portions) {
        const uses = portion.map(({ serial, permits }) => use(serial, ...permits))
        const { granted, taken } = grantUses(uses, { left, used })
        for (const { permit, product, serial } of taken) {
          const name = `${permit}\n${product}\n${serial}`
          expect(used.has(name)).toBe(false)
          used.add(name)
          left.set(permit, (left.get(permit) ?? 0) - 1)
          counted.set(permit, (counted.get(permit) ?? 0) + 1)
        }
        for (const [index, { serial, permits }] of portion.entries()) {
          if (granted[index]) for (const permit of permits) expect(used.has(`${permit}\nEX36\n${serial}`)).toBe(true)
        }
      }
      expect(counted.get('P')).toBeLessThanOrEqual(p)
      expect(counted.get('Q')).toBeLessThanOrEqual(q)
    }),
  )
})
