import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { type CheckResult, checkSays, checkSupportAt, type StationCheck } from '../../src/stations/station-check.ts'

type Kind = CheckResult['kind']
const strength: Kind = 'electric-strength-ac'
const bond: Kind = 'protective-bonding'
const hour = 3_600_000
const demand = { kinds: [strength, bond], validFor: 12 * hour }

function result(kind: Kind, expected: 'pass' | 'fail', found = expected): CheckResult {
  return { referenceUnit: `REF-${expected}`, kind, expected, found }
}

const good = (kind: Kind) => [result(kind, 'pass'), result(kind, 'fail')]
const faultPasses = (kind: Kind) => [result(kind, 'pass'), result(kind, 'fail', 'pass')]

function check(at: number, results: readonly CheckResult[], recordedAt = at): StationCheck {
  return { stationCheck: `SC-${at}-${recordedAt}`, at, recordedAt, results }
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
    expect(checkSupportAt([morning], demand, [strength], 8 * hour)).toEqual({
      missing: [],
      suspect: [],
      isClosed: false,
    })
  })

  it('is closed by a good check after it', () => {
    const evening = check(14 * hour, [...good(strength), ...good(bond)])
    expect(checkSupportAt([morning, evening], demand, [strength, bond], 8 * hour).isClosed).toBe(true)
  })

  it('is suspect for the kind that failed alone, and the station is locked for that kind alone', () => {
    const checks = [morning, check(14 * hour, [...faultPasses(strength), ...good(bond)])]
    expect(checkSupportAt(checks, demand, [strength, bond], 8 * hour)).toEqual({
      missing: [],
      suspect: [strength],
      isClosed: false,
    })
    expect(checkSupportAt(checks, demand, [strength, bond], 14 * hour).missing).toEqual([
      { code: 'station-locked', kind: strength },
    ])
    const mended = [...checks, check(15 * hour, good(strength))]
    expect(checkSupportAt(mended, demand, [strength], 15 * hour).missing).toEqual([])
    expect(checkSupportAt(mended, demand, [strength], 8 * hour).suspect).toEqual([strength])
  })

  it('is held before the first check and from the instant the last is due, and settled by one recorded late', () => {
    const lacks = (checks: readonly StationCheck[], at: number) => checkSupportAt(checks, demand, [bond], at).missing
    expect(lacks([morning], 6 * hour - 1)).toEqual([{ code: 'check-missing', kind: bond }])
    expect(lacks([morning], 18 * hour - 1)).toEqual([])
    expect(lacks([morning], 18 * hour)).toEqual([{ code: 'check-missing', kind: bond }])
    expect(lacks([morning, check(17 * hour, good(bond), 30 * hour)], 18 * hour)).toEqual([])
  })

  it('is not held by a failure recorded after it, but suspect', () => {
    const checks = [morning, check(7 * hour, faultPasses(bond), 20 * hour)]
    expect(checkSupportAt(checks, demand, [bond], 8 * hour)).toEqual({ missing: [], suspect: [bond], isClosed: false })
  })

  it('is doubted and then held where a good and a failed check bear one instant, in either order', () => {
    const two = [check(14 * hour, good(bond)), check(14 * hour, faultPasses(bond), 15 * hour)]
    for (const checks of [two, two.toReversed()]) {
      expect(checkSupportAt([morning, ...checks], demand, [bond], 8 * hour).suspect).toEqual([bond])
      expect(checkSupportAt([morning, ...checks], demand, [bond], 16 * hour).missing).toEqual([
        { code: 'station-locked', kind: bond },
      ])
    }
  })

  it('is asked for nothing where nothing is demanded', () => {
    const none = { kinds: [], validFor: hour }
    expect(checkSupportAt([], none, [strength], 0)).toEqual({ missing: [], suspect: [], isClosed: false })
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
const short = { kinds: [strength, bond], validFor: 6 }

describe('for all checks', () => {
  it('their order of arrival makes no difference', () => {
    fc.assert(
      fc.property(anyChecks, fc.nat(25), fc.infiniteStream(fc.nat()), (checks, start, keys) => {
        const shuffled = checks
          .map((one) => ({ one, place: keys.next().value }))
          .sort((a, b) => Number(a.place) - Number(b.place))
          .map(({ one }) => one)
        const asked = (list: readonly StationCheck[]) => checkSupportAt(list, short, [strength, bond], start)
        expect(asked(shuffled)).toEqual(asked(checks))
      }),
    )
  })

  it('what is doubted and closed does not depend on when they were recorded', () => {
    fc.assert(
      fc.property(anyChecks, fc.nat(25), (checks, start) => {
        const late = checkSupportAt(checks, short, [strength, bond], start)
        const prompt = checkSupportAt(
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
        const { missing, suspect, isClosed } = checkSupportAt(checks, short, [strength, bond], start)
        for (const { kind } of missing) expect(suspect).toContain(kind)
        if (isClosed) expect(suspect).toEqual([])
      }),
    )
  })
})
