import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  type CheckResult,
  type CheckSupport,
  checkSays,
  checkSupportAt,
  demandAt,
  type StationCheck,
} from '../../src/stations/station-check.ts'

type Kind = CheckResult['kind']
const strength: Kind = 'electric-strength-ac'
const bond: Kind = 'protective-bonding'
const hour = 3_600_000
const demand = { effectiveFrom: 0, kinds: [strength, bond], validFor: 12 * hour }
type Demand = typeof demand

function result(kind: Kind, expected: 'pass' | 'fail', found = expected): CheckResult {
  return { referenceUnit: `REF-${expected}`, kind, expected, found }
}

const good = (kind: Kind) => [result(kind, 'pass'), result(kind, 'fail')]
const faultPasses = (kind: Kind) => [result(kind, 'pass'), result(kind, 'fail', 'pass')]

function check(at: number, results: readonly CheckResult[], recordedAt = at, instrument = 'INS-1'): StationCheck {
  return { stationCheck: `SC-${at}-${recordedAt}`, instrument, at, recordedAt, results }
}

function supportOf(
  checks: readonly StationCheck[],
  one: Demand,
  kinds: readonly Kind[],
  start: number,
): Omit<CheckSupport, 'dueAt'> {
  const ordered = checks.toSorted((a, b) => a.at - b.at)
  const { dueAt: _, ...support } = checkSupportAt(
    { demands: [one], checks: ordered },
    { instrument: 'INS-1', kinds },
    start,
  )
  return support
}

const morning = check(6 * hour, [...good(strength), ...good(bond)])

describe('what a check says', () => {
  it('is nothing where only the known-pass was shown', () => {
    expect(checkSays(check(0, [result(strength, 'pass')]), strength)).toBeUndefined()
    expect(checkSays(morning, strength)).toBe('good')
  })

  it('is failed where a fault passes, or a good unit fails', () => {
    expect(checkSays(check(0, faultPasses(strength)), strength)).toBe('failed')
    expect(checkSays(check(0, [result(strength, 'pass', 'fail')]), strength)).toBe('failed')
  })
})

describe('a run between checks', () => {
  it('is neither doubted nor closed while the bracket is open', () => {
    expect(supportOf([morning], demand, [strength], 8 * hour)).toEqual({
      missing: [],
      suspect: [],
      isClosed: false,
    })
  })

  it('is closed by a good check after it', () => {
    const evening = check(14 * hour, [...good(strength), ...good(bond)])
    expect(supportOf([morning, evening], demand, [strength, bond], 8 * hour).isClosed).toBe(true)
  })

  it('is suspect for the kind that failed alone, and the station is locked for that kind alone', () => {
    const checks = [morning, check(14 * hour, [...faultPasses(strength), ...good(bond)])]
    expect(supportOf(checks, demand, [strength, bond], 8 * hour)).toEqual({
      missing: [],
      suspect: [strength],
      isClosed: false,
    })
    expect(supportOf(checks, demand, [strength, bond], 14 * hour).missing).toEqual([
      { code: 'station-locked', kind: strength },
    ])
    const mended = [...checks, check(15 * hour, good(strength))]
    expect(supportOf(mended, demand, [strength], 15 * hour).missing).toEqual([])
    expect(supportOf(mended, demand, [strength], 8 * hour).suspect).toEqual([strength])
  })

  it('is held before the first check and from the instant the last is due, and settled by one recorded late', () => {
    const lacks = (checks: readonly StationCheck[], at: number) => supportOf(checks, demand, [bond], at).missing
    expect(lacks([morning], 6 * hour - 1)).toEqual([{ code: 'check-missing', kind: bond }])
    expect(lacks([morning], 18 * hour - 1)).toEqual([])
    expect(lacks([morning], 18 * hour)).toEqual([{ code: 'check-missing', kind: bond }])
    expect(lacks([morning, check(17 * hour, good(bond), 30 * hour)], 18 * hour)).toEqual([])
  })

  it('is not held by a failure recorded after it, but suspect', () => {
    const checks = [morning, check(7 * hour, faultPasses(bond), 20 * hour)]
    expect(supportOf(checks, demand, [bond], 8 * hour)).toEqual({ missing: [], suspect: [bond], isClosed: false })
  })

  it('is doubted and then held where a good and a failed check bear one instant, in either order', () => {
    const two = [check(14 * hour, good(bond)), check(14 * hour, faultPasses(bond), 15 * hour)]
    for (const checks of [two, two.toReversed()]) {
      expect(supportOf([morning, ...checks], demand, [bond], 8 * hour).suspect).toEqual([bond])
      expect(supportOf([morning, ...checks], demand, [bond], 16 * hour).missing).toEqual([
        { code: 'station-locked', kind: bond },
      ])
    }
  })

  it('is asked for nothing where nothing is demanded', () => {
    const none = { effectiveFrom: 0, kinds: [], validFor: hour }
    expect(supportOf([], none, [strength], 0)).toEqual({ missing: [], suspect: [], isClosed: false })
    expect(supportOf([morning], none, [strength], 30 * hour).missing).toEqual([])
  })
})

describe('another instrument', () => {
  const swapped = check(10 * hour, [...good(strength), ...good(bond)], 10 * hour, 'INS-2')

  it('needs a check of its own, and closes nothing that the first one did', () => {
    const support = (instrument: string, start: number) =>
      checkSupportAt({ demands: [demand], checks: [morning, swapped] }, { instrument, kinds: [bond] }, start)
    expect(support('INS-2', 9 * hour).missing).toEqual([{ code: 'check-missing', kind: bond }])
    expect(support('INS-2', 11 * hour).missing).toEqual([])
    expect(support('INS-1', 8 * hour)).toMatchObject({ missing: [], suspect: [], isClosed: false, dueAt: 18 * hour })
  })

  it('that fails makes the station suspect since the last good check', () => {
    const checks = [morning, check(10 * hour, faultPasses(bond), 10 * hour, 'INS-2')]
    expect(supportOf(checks, demand, [bond], 8 * hour).suspect).toEqual([bond])
  })
})

describe('what is demanded', () => {
  it('is what took effect last, and nothing before the first', () => {
    const later = { effectiveFrom: 10, kinds: [], validFor: 1 }
    const demands = [later, { ...demand, effectiveFrom: 5 }]
    expect([4, 5, 9, 10].map((at) => demandAt(demands, at)?.effectiveFrom)).toEqual([undefined, 5, 5, 10])
    expect(supportOf([], { ...demand, effectiveFrom: 5 }, [bond], 4).missing).toEqual([])
  })
})

const anyChecks = fc.array(
  fc
    .record({
      at: fc.nat(20),
      late: fc.nat(10),
      results: fc.constantFrom(good(bond), faultPasses(bond), good(strength)),
    })
    .map(({ at, late, results }) => check(at, results, at + late)),
  { maxLength: 8 },
)
describe('a failed check of a kind that nobody demands', () => {
  const none = { effectiveFrom: 0, kinds: [], validFor: hour }
  const failed = check(14 * hour, faultPasses(strength))

  it('locks the station and puts in doubt what was tested since the last good one', () => {
    expect(supportOf([morning, failed], none, [strength], 8 * hour).suspect).toEqual([strength])
    expect(supportOf([morning, failed], none, [strength], 15 * hour).missing).toEqual([
      { code: 'station-locked', kind: strength },
    ])
    const atFive = check(5 * hour, good(strength))
    expect(supportOf([atFive, morning, failed], none, [strength], 5.5 * hour).suspect).toEqual([])
  })

  it('refuses nothing that was tested before it was recorded', () => {
    const late = check(14 * hour, faultPasses(strength), 20 * hour)
    expect(supportOf([late], none, [strength], 15 * hour)).toMatchObject({ missing: [], suspect: [strength] })
  })
})

const short = { effectiveFrom: 0, kinds: [strength, bond], validFor: 6 }

describe('for all checks', () => {
  it('their order of arrival makes no difference', () => {
    fc.assert(
      fc.property(anyChecks, fc.nat(25), fc.infiniteStream(fc.nat()), (checks, start, keys) => {
        const shuffled = checks
          .map((one) => ({ one, place: keys.next().value }))
          .sort((a, b) => Number(a.place) - Number(b.place))
          .map(({ one }) => one)
        const asked = (list: readonly StationCheck[]) => supportOf(list, short, [strength, bond], start)
        expect(asked(shuffled)).toEqual(asked(checks))
      }),
    )
  })

  it('what is doubted and closed does not depend on when they were recorded', () => {
    fc.assert(
      fc.property(anyChecks, fc.nat(25), (checks, start) => {
        const late = supportOf(checks, short, [strength, bond], start)
        const prompt = supportOf(
          checks.map((one) => ({ ...one, recordedAt: one.at })),
          short,
          [strength, bond],
          start,
        )
        expect({ suspect: late.suspect, isClosed: late.isClosed }).toEqual({
          suspect: prompt.suspect,
          isClosed: prompt.isClosed,
        })
      }),
    )
  })

  it('a kind is held only where it is doubted, and nothing closed is doubted', () => {
    fc.assert(
      fc.property(anyChecks, fc.nat(25), (checks, start) => {
        const { missing, suspect, isClosed } = supportOf(checks, short, [strength, bond], start)
        for (const { kind } of missing) expect(suspect).toContain(kind)
        if (isClosed) expect(suspect).toEqual([])
      }),
    )
  })
})
