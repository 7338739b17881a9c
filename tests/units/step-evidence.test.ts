import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { StepVerdict } from '../../src/judging/words.ts'
import { foldUnit, governingRuns } from '../../src/units/fold.ts'
import { stepResults } from '../../src/units/step-evidence.ts'
import type { Attempt, StepResult } from '../../src/units/words.ts'
import { at, attempt, doubted, rejectedFailure, sound } from './attempts.ts'

/** bond, then strength after it, then insulation after it; the touch test is not required. */
const PLANNED = [
  { step: 'bond', required: true, after: [] },
  { step: 'strength', required: true, after: ['bond'] },
  { step: 'insulation', required: true, after: ['bond'] },
  { step: 'touch', required: false, after: ['strength'] },
]

const WORDS: Readonly<Record<string, StepVerdict>> = {
  P: 'pass',
  F: 'fail',
  I: 'invalid',
  '?': 'inconclusive',
  '-': 'not-run',
}

/** A run of a plan that takes evidence from steps: `PP-` passed bond and strength, and left insulation out. */
function run(time: string, letters: string, parts: Partial<Attempt> = {}): Attempt {
  const steps: StepResult[] = PLANNED.map((planned, index) => ({
    ...planned,
    verdict: WORDS[letters[index] ?? '-'] ?? 'not-run',
  }))
  const isWhole = steps.every(({ verdict, required }) => !required || verdict === 'pass')
  const verdict = letters.includes('F') ? 'fail' : letters.includes('I') ? 'invalid' : isWhole ? 'pass' : 'incomplete'
  return attempt({ startedAt: at(time), verdict, steps, ...parts })
}

function fold(attempts: readonly Attempt[], suspects: readonly Attempt[] = []) {
  const folded = foldUnit(attempts, {
    operationsRequired: ['final'],
    worthOf: (one) => (suspects.includes(one) ? doubted : sound),
  })
  return {
    releasable: folded.release.releasable,
    reasons: folded.release.reasons.map(({ code, facts }) => [code, facts['step'] ?? ''].join(' ').trim()),
    evidence: folded.attempts.map(({ evidence }) => evidence),
  }
}

describe('evidence from steps', () => {
  test('several runs carry an operation together', () => {
    expect(fold([run('09:00', 'PP-')])).toEqual({
      releasable: false,
      reasons: ['step-missing insulation'],
      evidence: ['provisional'],
    })
    expect(fold([run('09:00', 'PP-'), run('09:10', '--P')])).toEqual({
      releasable: true,
      reasons: [],
      evidence: ['provisional', 'provisional'],
    })
  })

  test('a plan that asks for one run takes nothing from another', () => {
    const one = attempt({ startedAt: at('09:00'), verdict: 'incomplete' })
    const other = attempt({ startedAt: at('09:10'), verdict: 'incomplete' })
    expect(fold([one, other]).reasons).toEqual(['latest-run-incomplete'])
  })

  test('of a step the latest result speaks, a fail as well as a pass', () => {
    expect(fold([run('09:00', 'PPP'), run('09:10', '-F-')]).reasons).toEqual(['step-not-passed strength'])
    expect(fold([run('09:00', 'PPP'), run('09:10', '-I-')]).reasons).toEqual(['step-not-passed strength'])
    expect(fold([run('09:00', 'PPP'), run('09:10', '-F-'), run('09:20', '-P-')]).releasable).toBe(true)
  })

  test('what must come first had to pass by then', () => {
    // The bond failed; strength was run all the same in the next run, and only then was the bond repaired.
    const history = [run('09:00', 'F--'), run('09:10', '-PP'), run('09:20', 'P--')]
    expect(fold(history).reasons).toEqual(['step-out-of-order strength', 'step-out-of-order insulation'])
    expect(fold([...history, run('09:30', '-PP')]).releasable).toBe(true)
    expect(fold([run('09:00', '-PP'), run('09:10', 'P--')]).releasable).toBe(false)
  })

  test('a step that is not required is not asked for, and its fail counts in its own run alone', () => {
    expect(fold([run('09:00', 'PPP-')]).releasable).toBe(true)
    expect(fold([run('09:00', 'PPPF')]).releasable).toBe(true)
  })

  test('what an optional step hands on still had to pass, and the optional step may be left out', () => {
    const plan = [
      { step: 'bond', required: true, after: [] },
      { step: 'look', required: false, after: ['bond'] },
      { step: 'strength', required: true, after: ['look'] },
    ]
    const planned = (time: string, ...verdicts: StepVerdict[]) =>
      attempt({
        startedAt: at(time),
        verdict: 'incomplete',
        steps: plan.map((step, index) => ({ ...step, verdict: verdicts[index] ?? 'not-run' })),
      })
    expect(fold([planned('09:00', 'pass', 'not-run', 'pass')]).releasable).toBe(true)
    expect(fold([planned('09:00', 'not-run', 'not-run', 'pass'), planned('09:10', 'pass')]).reasons).toEqual([
      'step-out-of-order strength',
    ])
    expect(fold([planned('09:00', 'pass', 'fail', 'pass')]).reasons).toEqual(['step-out-of-order strength'])
  })

  test('a held run at the end waits, and rejected, verification and other plans’ runs carry nothing', () => {
    expect(
      fold([run('09:00', 'PPP'), run('09:10', '--P', { outcome: 'held', codes: ['clock-skew'] })]).reasons,
    ).toEqual(['hold-open'])
    expect(fold([run('09:00', 'PP-', { purpose: 'verification' }), run('09:10', '--P')]).reasons).toEqual([
      'step-missing bond',
      'step-missing strength',
      // The bond that must come before it has not passed either.
      'step-out-of-order insulation',
    ])
    expect(fold([run('09:00', 'PP-', { plan: 'another' }), run('09:10', '--P')]).releasable).toBe(false)
  })

  test('a run that lost its support takes its steps with it, and is named once', () => {
    const first = run('09:00', 'PP-')
    const second = run('09:10', '--P')
    expect(fold([first, second], [first])).toEqual({
      releasable: false,
      reasons: ['evidence-suspect'],
      evidence: ['suspect', 'provisional'],
    })
    expect(governingRuns([first, second])).toEqual(expect.arrayContaining([first, second]))
    // Nothing of it counts any more.
    expect(fold([first, run('09:20', 'PPP')], [first])).toEqual({
      releasable: true,
      reasons: [],
      evidence: ['superseded', 'provisional'],
    })
  })

  test('a reported failure is explained when every step has passed after it, and a cause is recorded', () => {
    const bad = rejectedFailure({ startedAt: at('08:00') })
    const cause = { attemptCause: 'after-rework' } as const
    expect(fold([bad, run('09:00', 'PP-', cause)]).reasons).toContain('failure-unexplained')
    expect(fold([bad, run('09:00', 'PP-', cause), run('09:10', '--P', cause)]).releasable).toBe(true)
    expect(fold([run('07:00', 'PP-'), bad, run('09:10', '--P', cause)]).reasons).toContain('failure-unexplained')
  })

  const letters = fc
    .array(fc.constantFrom('P', 'F', 'I', '?', '-'), { minLength: 4, maxLength: 4 })
    .map((list) => list.join(''))
  const histories = fc.array(letters, { minLength: 1, maxLength: 6 })
  const timed = (list: readonly string[]) =>
    list.map((word, index) => run(`09:${String(index * 5).padStart(2, '0')}`, word))

  test('any order of arrival gives the same', () => {
    fc.assert(
      fc.property(histories, fc.infiniteStream(fc.nat()), (list, picks) => {
        const history = timed(list)
        const arrived = [...history]
        for (let left = arrived.length - 1; left > 0; left -= 1) {
          const other = (picks.next().value ?? 0) % (left + 1)
          const [one, two] = [arrived[left], arrived[other]]
          if (one && two) [arrived[left], arrived[other]] = [two, one]
        }
        expect(fold(arrived)).toEqual(fold(history))
      }),
    )
  })

  test('is what a plain walk through the history finds', () => {
    fc.assert(
      fc.property(histories, (list) => {
        // Keeps, step by step, the latest word, and whether what must come first stood at pass when it was said.
        const state = new Map<string, { passed: boolean; inOrder: boolean }>()
        for (const word of list) {
          PLANNED.forEach(({ step, after }, index) => {
            const letter = word[index] ?? '-'
            if (letter === '-') return
            const inOrder = after.every((name) => {
              // A step before it in the same run has been said already.
              return state.get(name)?.passed === true
            })
            state.set(step, { passed: letter === 'P', inOrder })
          })
        }
        const expected = PLANNED.filter(({ required }) => required).every(
          ({ step }) => state.get(step)?.passed === true && state.get(step)?.inOrder === true,
        )
        expect(fold(timed(list)).releasable).toBe(expected)
      }),
    )
  })

  test('a run that passes every step is releasable whatever came before', () => {
    fc.assert(
      fc.property(histories, (list) => {
        expect(fold(timed([...list, 'PPP-'])).releasable).toBe(true)
      }),
    )
  })
})

describe('the results that a history keeps', () => {
  const verdictsOf = (verdicts: readonly StepVerdict[], word: 'fail' | 'invalid' | 'pass' | null) =>
    stepResults(PLANNED.slice(0, verdicts.length), verdicts, word).map(({ verdict }) => verdict)

  test('are those of the steps', () => {
    expect(verdictsOf(['pass', 'fail', 'not-run'], 'fail')).toEqual(['pass', 'fail', 'not-run'])
    expect(verdictsOf(['pass', 'pass'], 'pass')).toEqual(['pass', 'pass'])
    expect(verdictsOf(['pass', 'invalid'], null)).toEqual(['pass', 'invalid'])
  })

  test("a station's bad word that no step explains counts for each that was run", () => {
    expect(verdictsOf(['pass', 'pass', 'not-run'], 'fail')).toEqual(['fail', 'fail', 'not-run'])
    expect(verdictsOf(['pass', 'invalid'], 'fail')).toEqual(['fail', 'fail'])
    expect(verdictsOf(['pass', 'fail'], 'invalid')).toEqual(['pass', 'fail'])
  })
})
