import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compareAttempts, type FoldPolicy, foldUnit, governingRuns } from '../../src/units/fold.ts'
import { type Attempt, releaseCodes, releaseSentence, writeRelease } from '../../src/units/words.ts'
import { at, attempt, doubted, rejectedFailure, sound } from './attempts.ts'

const policy: FoldPolicy = { operationsRequired: ['final'], worthOf: () => sound }

function fold(attempts: readonly Attempt[], change: Partial<FoldPolicy> = {}) {
  return foldUnit(attempts, { ...policy, ...change })
}

/** The codes of the reasons against release, in order. */
function against(attempts: readonly Attempt[], change: Partial<FoldPolicy> = {}): string[] {
  return fold(attempts, change).release.reasons.map(({ code }) => code)
}

function evidences(attempts: readonly Attempt[], change: Partial<FoldPolicy> = {}) {
  return fold(attempts, change).attempts.map(({ evidence }) => evidence)
}

function numbers(attempts: readonly Attempt[]) {
  return fold(attempts).attempts.map(({ number }) => number)
}

describe('the order of attempts', () => {
  test('is start as used, then sequence number, station, upload key', () => {
    const first = attempt({ startedAt: at('09:00'), sequenceNumber: 9 })
    const second = attempt({ startedAt: at('09:10'), sequenceNumber: 1, station: 'LDS-F3', uploadKey: 'z' })
    const third = attempt({ startedAt: at('09:10'), sequenceNumber: 2, station: 'LDS-F2', uploadKey: 'z' })
    const fourth = attempt({ startedAt: at('09:10'), sequenceNumber: 2, station: 'LDS-F3', uploadKey: 'a' })
    const fifth = attempt({ startedAt: at('09:10'), sequenceNumber: 2, station: 'LDS-F3', uploadKey: 'b' })
    const ordered = [first, second, third, fourth, fifth]
    expect([...ordered].reverse().sort(compareAttempts)).toEqual(ordered)
  })

  test('compares keys by code units, as the database does, and not by a language', () => {
    const upper = attempt({ uploadKey: 'B', sequenceNumber: 1 })
    const lower = attempt({ uploadKey: 'a', sequenceNumber: 1 })
    expect(compareAttempts(upper, lower)).toBeLessThan(0)
  })

  test('T36: the retest that arrives first does not make the failing first attempt the later one', () => {
    const retest = attempt({ startedAt: at('09:30'), receivedAt: at('10:00') })
    const first = attempt({ startedAt: at('09:10'), receivedAt: at('10:20'), verdict: 'fail', reportedFailure: true })
    expect(fold([retest]).attempts.map(({ number }) => number)).toEqual([1])
    const both = fold([retest, first])
    expect(both.attempts.map(({ attempt: { runId }, number }) => [runId, number])).toEqual([
      [first.runId, 1],
      [retest.runId, 2],
    ])
    expect(both.release.releasable).toBe(true)
  })
})

// A few instants and numbers only, so that ties are common.
const anyAttempt = fc
  .record({
    startedAt: fc.constantFrom(at('09:00'), at('09:10'), at('09:20')),
    sequenceNumber: fc.integer({ min: 1, max: 3 }),
    station: fc.constantFrom('LDS-F2', 'LDS-F3'),
    outcome: fc.constantFrom<Attempt['outcome']>('accepted', 'held', 'rejected'),
    verdict: fc.constantFrom<Attempt['verdict']>('pass', 'fail', 'invalid', 'inconclusive', 'incomplete'),
    purpose: fc.constantFrom('production', 'production', 'engineering'),
    operation: fc.constantFrom('final', 'final', 'bench', null),
    attemptCause: fc.constantFrom(null, 'after-fail', 'after-rework', 'after-event'),
    reportedFailure: fc.boolean(),
  })
  .map((parts) => {
    if (parts.outcome === 'rejected') return rejectedFailure({ ...parts, verdict: null, reportedFailure: true })
    // An engineering run is never accepted, and a run has the operation of its plan.
    const outcome = parts.purpose === 'engineering' ? ('held' as const) : parts.outcome
    return attempt({ ...parts, outcome, operation: parts.operation ?? 'final' })
  })

describe('properties', () => {
  test('any order of arrival gives the same fold', () => {
    const shuffled = fc
      .array(anyAttempt, { maxLength: 9 })
      .chain((all) => fc.tuple(fc.constant(all), fc.shuffledSubarray(all, { minLength: all.length })))
    fc.assert(
      fc.property(shuffled, ([one, other]) => {
        const required = { operationsRequired: ['final', 'bench'] }
        expect(fold(other, required)).toEqual(fold(one, required))
      }),
    )
  })

  test('releasable means: every required operation ends in an accepted pass, and nothing else speaks against it', () => {
    fc.assert(
      fc.property(fc.array(anyAttempt, { maxLength: 7 }), (all) => {
        const { release, attempts } = fold(all)
        expect(release.releasable).toBe(release.reasons.length === 0)
        const last = attempts.findLast(({ attempt: one }) => one.outcome !== 'rejected' && one.operation === 'final')
        if (release.releasable) {
          expect(last?.attempt).toMatchObject({ outcome: 'accepted', verdict: 'pass' })
          expect(last?.evidence).toBe('provisional')
        }
      }),
    )
  })

  test('numbers grow along an operation, and only attempts have one', () => {
    fc.assert(
      fc.property(fc.array(anyAttempt, { maxLength: 9 }), (all) => {
        const { attempts } = fold(all)
        for (const operation of ['final', 'bench']) {
          const own = attempts.filter(({ attempt: one, number }) => one.operation === operation && number !== null)
          const unknown = attempts.filter(({ attempt: one }) => one.operation === null).length
          const got = own.map(({ number }) => number ?? 0)
          expect(got).toEqual([...got].sort((a, b) => a - b))
          expect(new Set(got).size).toBe(got.length)
          expect(got.at(-1) ?? 0).toBeLessThanOrEqual(own.length + unknown)
        }
        for (const { attempt: one, number } of attempts) {
          expect(number === null).toBe(one.purpose !== 'production' && !one.reportedFailure)
        }
      }),
    )
  })

  test('more bad news never makes a unit releasable that was not', () => {
    fc.assert(
      fc.property(fc.array(anyAttempt, { maxLength: 6 }), fc.constantFrom('08:00', '09:05', '09:59'), (all, time) => {
        const worse = [...all, rejectedFailure({ startedAt: at(time) })]
        if (fold(worse).release.releasable) expect(fold(all).release.releasable).toBe(true)
      }),
    )
  })
})

describe('numbers of attempts', () => {
  test('count production runs, accepted or held, and failures reported in others', () => {
    expect(
      numbers([
        attempt({ startedAt: at('09:00'), outcome: 'held', verdict: 'pass' }),
        attempt({ startedAt: at('09:01'), outcome: 'held', purpose: 'engineering' }),
        attempt({ startedAt: at('09:02'), outcome: 'held', purpose: 'engineering', reportedFailure: true }),
        rejectedFailure({ startedAt: at('09:03') }),
        attempt({ startedAt: at('09:04') }),
      ]),
    ).toEqual([1, null, 2, 3, 4])
  })

  test('are counted at each operation by itself; a failure at an unknown one counts at all', () => {
    expect(
      numbers([
        attempt({ startedAt: at('09:00') }),
        attempt({ startedAt: at('09:01'), operation: 'bench' }),
        rejectedFailure({ startedAt: at('09:02'), operation: null }),
        attempt({ startedAt: at('09:03'), operation: 'bench' }),
        attempt({ startedAt: at('09:04') }),
      ]),
    ).toEqual([1, 1, 3, 3, 3])
  })
})

describe('evidence', () => {
  test('of an accepted pass is provisional, of everything else none, of a rejected upload nothing', () => {
    expect(evidences([attempt()])).toEqual(['provisional'])
    for (const verdict of ['fail', 'invalid', 'inconclusive', 'incomplete'] as const) {
      expect(evidences([attempt({ verdict })])).toEqual(['none'])
    }
    expect(evidences([attempt({ outcome: 'held' })])).toEqual(['none'])
    expect(evidences([rejectedFailure()])).toEqual([null])
  })

  test('of a pass is superseded by any later run of its operation, held ones too, and not by a rejected one', () => {
    const pass = attempt({ startedAt: at('09:00') })
    for (const later of [
      attempt({ startedAt: at('09:10') }),
      attempt({ startedAt: at('09:10'), verdict: 'fail' }),
      attempt({ startedAt: at('09:10'), outcome: 'held' }),
    ]) {
      expect(evidences([later, pass])[0]).toBe('superseded')
    }
    expect(evidences([pass, rejectedFailure({ startedAt: at('09:10') })])).toEqual(['provisional', null])
    expect(evidences([pass, attempt({ startedAt: at('09:10'), operation: 'bench' })])).toEqual([
      'provisional',
      'provisional',
    ])
  })

  test('is suspect where what it rested on was taken away, and then stops release', () => {
    const pass = attempt()
    const change = { worthOf: (one: Attempt) => (one === pass ? doubted : sound) }
    expect(evidences([pass], change)).toEqual(['suspect'])
    expect(against([pass], change)).toEqual(['evidence-suspect'])
    expect(against([pass, attempt({ startedAt: at('09:30') })], change)).toEqual([])
  })

  test('is good once the station was checked after it, and then release is no longer provisional', () => {
    const worths = [sound, { ...sound, isClosed: true }]
    const folded = worths.map((worth) => fold([attempt()], { worthOf: () => worth }))
    expect(folded.map(({ attempts }) => attempts[0]?.evidence)).toEqual(['provisional', 'good'])
    expect(folded.map(({ release }) => [release.releasable, release.provisional])).toEqual([
      [true, true],
      [true, false],
    ])
  })

  test('is suspect for the kinds that a check puts in doubt, which the reason names', () => {
    const worth = { ...sound, suspectKinds: ['electric-strength-ac' as const], suspectSteps: ['strength'] }
    const { attempts, release } = fold([attempt()], { worthOf: () => worth })
    expect(attempts[0]?.evidence).toBe('suspect')
    expect(release.reasons).toMatchObject([{ code: 'evidence-suspect', facts: { kinds: 'electric-strength-ac' } }])
  })

  test('of a failed run under a concession stays none, and the unit may ship by it', () => {
    const failed = attempt({ verdict: 'fail', concession: 'CN-104' })
    const { attempts, release } = fold([failed])
    expect(attempts[0]?.evidence).toBe('none')
    expect(release).toMatchObject({ releasable: true, concessions: ['CN-104'] })
    // Leave for one run is none for the next, and none where a fact was taken away from it.
    expect(against([failed, attempt({ startedAt: at('09:30'), verdict: 'fail' })])).toEqual(['latest-run-fail'])
    expect(against([failed], { worthOf: () => doubted })).toEqual(['evidence-suspect'])
    expect(against([attempt({ verdict: 'invalid', concession: 'CN-104' })])).toEqual(['latest-run-invalid'])
  })

  test('of a run that was held for want of facts is there once nothing is missing, and then it may ship', () => {
    const held = attempt({ outcome: 'held', codes: ['calibration-expired', 'check-missing'] })
    const folded = (isSupported: boolean) => fold([held], { worthOf: () => ({ ...sound, isSupported }) })
    expect(folded(false).release.reasons.map(({ code }) => code)).toEqual(['hold-open'])
    expect(folded(true)).toMatchObject({
      attempts: [{ standing: 'accepted', evidence: 'provisional', codes: [], attempt: { outcome: 'held' } }],
      release: { releasable: true },
    })
    // What waits for a person waits on, whatever else it lacked.
    for (const codes of [['over-stress'], ['check-missing', 'clock-skew'], ['station-locked']] as const) {
      const other = attempt({ outcome: 'held', codes: [...codes] })
      expect(against([other])).toEqual(['hold-open'])
    }
    const failed = attempt({ outcome: 'held', codes: ['check-missing'], verdict: 'fail' })
    expect(against([failed])).toEqual(['latest-run-fail'])
    expect(governingRuns([held, attempt({ startedAt: at('09:30') })])).toContain(held)
  })

  test('is asked of the runs that speak for an operation alone', () => {
    const asked: Attempt[] = []
    const latest = attempt({ startedAt: at('09:30') })
    const bench = attempt({ startedAt: at('09:05'), operation: 'bench' })
    const all = [attempt(), latest, bench, rejectedFailure({ startedAt: at('09:40') })]
    fold(all, {
      worthOf: (one) => {
        asked.push(one)
        return sound
      },
    })
    expect(new Set(asked)).toEqual(new Set([latest, bench]))
    expect(new Set(governingRuns(all))).toEqual(new Set([latest, bench]))
  })
})

describe('release', () => {
  test('of a unit nobody tested', () => {
    expect(fold([]).release).toEqual({
      releasable: false,
      provisional: false,
      concessions: [],
      reasons: [{ code: 'unit-unknown', facts: {} }],
    })
  })

  test('is given by the latest run of every required operation', () => {
    expect(fold([attempt()]).release).toEqual({ releasable: true, provisional: true, concessions: [], reasons: [] })
    const both = { operationsRequired: ['bench', 'final'] }
    expect(fold([attempt()], both).release.reasons).toEqual([
      { code: 'operation-missing', facts: { operation: 'bench' } },
    ])
    expect(against([attempt(), attempt({ operation: 'bench' })], both)).toEqual([])
    // What the product does not require stops nothing.
    expect(against([attempt(), attempt({ operation: 'bench', verdict: 'fail' })])).toEqual([])
  })

  test('is stopped by a later fail, invalid, inconclusive, incomplete or open hold until a later pass', () => {
    const pass = attempt({ startedAt: at('09:00') })
    for (const verdict of ['fail', 'invalid', 'inconclusive', 'incomplete'] as const) {
      const later = attempt({ startedAt: at('09:10'), verdict })
      expect(fold([later, pass]).release.reasons).toEqual([
        { code: `latest-run-${verdict}`, facts: { operation: 'final', runId: later.runId } },
      ])
      expect(against([pass, later, attempt({ startedAt: at('09:20') })])).toEqual([])
    }
    const hold = attempt({ startedAt: at('09:10'), outcome: 'held', codes: ['clock-skew', 'person-unknown'] })
    expect(fold([pass, hold]).release.reasons).toEqual([
      { code: 'hold-open', facts: { operation: 'final', runId: hold.runId, codes: 'clock-skew person-unknown' } },
    ])
    expect(against([pass, hold, attempt({ startedAt: at('09:20') })])).toEqual([])
  })

  test('an ordinary failed run needs no cause: the next pass is enough', () => {
    const failed = attempt({ verdict: 'fail', reportedFailure: true })
    expect(against([failed, attempt({ startedAt: at('09:10'), attemptCause: 'after-fail' })])).toEqual([])
  })
})

describe('a failure reported in a run that did not count', () => {
  const failures = {
    rejected: rejectedFailure({ startedAt: at('09:00') }),
    held: attempt({ startedAt: at('09:00'), outcome: 'held', verdict: 'fail', reportedFailure: true }),
    engineering: attempt({
      startedAt: at('09:00'),
      outcome: 'held',
      purpose: 'engineering',
      codes: ['purpose-not-allowed'],
      verdict: 'fail',
      reportedFailure: true,
    }),
    // Counted as one of production for being accepted, it would need no cause.
    verification: attempt({
      startedAt: at('09:00'),
      purpose: 'verification',
      verdict: 'fail',
      reportedFailure: true,
    }),
  }

  test.each(Object.entries(failures))('%s: blocks until a later valid pass and a recorded cause', (_, failure) => {
    const pass = (parts: Partial<Attempt>) => attempt({ startedAt: at('09:10'), ...parts })
    expect(against([failure, pass({})])).toEqual(['failure-unexplained'])
    expect(against([failure, pass({ attemptCause: 'after-fail' })])).toEqual(['failure-unexplained'])
    expect(against([failure, pass({ attemptCause: 'on-request' })])).toEqual(['failure-unexplained'])
    expect(against([failure, pass({ attemptCause: 'after-rework' })])).toEqual([])
    expect(against([failure, pass({ attemptCause: 'after-event' })])).toEqual([])
    // The cause may stand in another later run, which need not have passed.
    const caused = attempt({ startedAt: at('09:05'), verdict: 'invalid', attemptCause: 'after-rework' })
    expect(against([failure, caused, pass({})])).toEqual([])
    // An earlier pass explains nothing, and an earlier cause neither.
    const earlier = attempt({ startedAt: at('08:50'), attemptCause: 'after-rework' })
    expect(against([failure, earlier])).toContain('failure-unexplained')
    expect(against([earlier, failure, pass({})])).toEqual(['failure-unexplained'])
  })

  test('a held pass, a rejected cause and a pass at another operation do not lift it', () => {
    const failure = failures.rejected
    const held = attempt({ startedAt: at('09:10'), outcome: 'held', attemptCause: 'after-rework' })
    expect(against([failure, held])).toEqual(['hold-open', 'failure-unexplained'])
    const rejected = rejectedFailure({ startedAt: at('09:10'), attemptCause: 'after-rework' })
    expect(against([failure, rejected, attempt({ startedAt: at('09:20') })])).toEqual([
      'failure-unexplained',
      'failure-unexplained',
    ])
    const bench = attempt({ startedAt: at('09:20'), operation: 'bench', attemptCause: 'after-rework' })
    const before = attempt({ startedAt: at('08:00') })
    expect(against([before, failure, bench])).toEqual(['failure-unexplained'])
  })

  test('a cause recorded in a run that does not count itself explains nothing, though a pass follows', () => {
    const failure = failures.rejected
    const pass = attempt({ startedAt: at('09:20') })
    const caused = (parts: Partial<Attempt>) =>
      attempt({ startedAt: at('09:10'), attemptCause: 'after-rework', ...parts })
    for (const uncounted of [
      caused({ outcome: 'held' }),
      caused({ outcome: 'held', purpose: 'engineering' }),
      caused({ purpose: 'verification' }),
      caused({ outcome: 'rejected', verdict: null }),
    ]) {
      expect(against([failure, uncounted, pass])).toEqual(['failure-unexplained'])
    }
    expect(against([failure, caused({}), pass])).toEqual([])
  })

  test('of unknown operation it is lifted by a pass at any', () => {
    const failure = rejectedFailure({ startedAt: at('09:00'), operation: null })
    const { reasons } = fold([failure]).release
    expect(reasons).toEqual([
      { code: 'operation-missing', facts: { operation: 'final' } },
      { code: 'failure-unexplained', facts: { runId: failure.runId } },
    ])
    expect(against([failure, attempt({ startedAt: at('09:10'), attemptCause: 'after-rework' })])).toEqual([])
  })

  test('each failure needs a pass and a cause after itself', () => {
    const pass = attempt({ startedAt: at('09:10'), attemptCause: 'after-rework' })
    const second = rejectedFailure({ startedAt: at('09:20') })
    expect(fold([failures.rejected, pass, second]).release.reasons).toEqual([
      { code: 'failure-unexplained', facts: { runId: second.runId, operation: 'final' } },
    ])
  })
})

test('every reason against release has a sentence to act on', () => {
  for (const code of releaseCodes) {
    const sentence = releaseSentence({
      code,
      facts: {
        operation: 'final',
        runId: 'R-1',
        codes: 'clock-skew',
        step: 'bond',
        after: 'look',
        verdict: 'fail',
        event: 'opened',
        at: 'noon',
      },
    })
    expect(sentence).toMatch(/^[A-Z].*\.$/)
    expect(sentence).not.toContain('undefined')
  }
  expect(writeRelease(fold([]).release).reasons).toEqual([
    { code: 'unit-unknown', facts: {}, action: 'No run of this serial number is known. Test the unit.' },
  ])
})
