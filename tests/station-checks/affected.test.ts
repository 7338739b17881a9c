import fc from 'fast-check'
import { expect, test } from 'vitest'
import { doubtedWindows } from '../../src/station-checks/affected.ts'
import { type CheckResult, checkSupportAt, type StationCheck } from '../../src/stations/station-check.ts'

const kinds = ['protective-bonding', 'electric-strength-ac'] as const
const instruments = ['INS-1', 'INS-2'] as const

function results(kind: CheckResult['kind'], isGood: boolean): CheckResult[] {
  const unit = (expected: 'pass' | 'fail', found: 'pass' | 'fail') => ({
    referenceUnit: expected,
    kind,
    expected,
    found,
  })
  return [unit('pass', 'pass'), unit('fail', isGood ? 'fail' : 'pass')]
}

const anyChecks = fc
  .array(
    fc.record({
      at: fc.nat(20),
      kind: fc.constantFrom(...kinds),
      isGood: fc.boolean(),
      instrument: fc.constantFrom(...instruments),
    }),
    { minLength: 1, maxLength: 8 },
  )
  .map((list) =>
    list
      .toSorted((one, other) => one.at - other.at)
      .map(
        ({ at, kind, isGood, instrument }, index): StationCheck => ({
          stationCheck: `SC-${index}`,
          instrument,
          at,
          recordedAt: at,
          results: results(kind, isGood),
        }),
      ),
  )

test('the windows of all failed checks hold exactly the starts whose evidence is in doubt', () => {
  let doubted = 0
  fc.assert(
    fc.property(
      anyChecks,
      fc.integer({ min: -1, max: 22 }),
      fc.constantFrom(...instruments),
      (checks, start, instrument) => {
        const support = checkSupportAt({ demands: [], checks }, { instrument, kinds }, start)
        const windows = checks.flatMap((one) => doubtedWindows(one, checks, instruments))
        const listed = kinds.filter((kind) =>
          windows.some(
            (one) =>
              one.kind === kind &&
              one.instrument === instrument &&
              start >= (one.from ?? Number.NEGATIVE_INFINITY) &&
              start < (one.until ?? Number.POSITIVE_INFINITY),
          ),
        )
        expect(listed).toEqual([...support.suspect])
        doubted += listed.length
      },
    ),
    { numRuns: 500 },
  )
  expect(doubted).toBeGreaterThan(50)
})

test('a good check puts nothing in doubt', () => {
  const good: StationCheck = {
    stationCheck: 'SC-1',
    instrument: 'INS-1',
    at: 5,
    recordedAt: 5,
    results: results('protective-bonding', true),
  }
  expect(doubtedWindows(good, [good], instruments)).toEqual([])
})
