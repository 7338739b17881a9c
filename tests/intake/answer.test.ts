import { describe, expect, test } from 'vitest'
import { writeAnswer } from '../../src/intake/answer.ts'
import { AnswerWire } from '../../src/intake/answer-words.ts'
import type { StoredJudgement, StoredUpload } from '../../src/intake/stored.ts'
import { type CodeFound, uploadCodes } from '../../src/judging/words.ts'
import { foldUnit } from '../../src/units/fold.ts'
import { attempt, rejectedFailure, sound } from '../units/attempts.ts'

const judged: StoredJudgement = {
  operation: 'final',
  variant: 'EX36-3M',
  plan: 'ex36-final',
  revision: 7,
  revisionDigest: `sha256:${'6'.repeat(64)}`,
  productVersion: 3,
  editions: ['extractor-strength/3'],
  decisionRule: 'simple',
  calibration: 'CAL-2026-0118',
  verdict: 'pass',
  stationVerdict: 'pass',
  reasons: [],
  steps: [
    {
      step: 'bond',
      verdict: 'pass',
      reasons: [],
      measurements: [
        {
          measurement: 'motor-housing',
          verdict: 'pass',
          judged: { value: '97.4', unit: 'mOhm' },
          limitUpper: { value: '158.5', unit: 'mOhm' },
          margin: { value: '61.1', unit: 'mOhm' },
          reasons: [{ code: 'lead-offset-subtracted', facts: { raw: '118.4 mOhm', offset: '21.0 mOhm' } }],
        },
      ],
    },
  ],
}

const pass = attempt()

function stored(parts: Partial<StoredUpload> = {}): StoredUpload {
  return {
    runId: pass.runId,
    site: 'leeds',
    station: 'LDS-F2',
    uploadKey: pass.uploadKey,
    outcome: 'accepted',
    codes: [],
    contentDigest: `sha256:${'8'.repeat(64)}`,
    receivedAt: pass.receivedAt,
    skewMs: 130,
    stationVerdict: 'pass',
    startedAt: pass.startedAt,
    startedAtUsed: pass.startedAt,
    product: 'EX36',
    serial: 'EX36-26-004417',
    judged,
    ...parts,
  }
}

function foldedOf(runId: string, history = [pass]) {
  const folded = foldUnit(history, { operationsRequired: ['final'], worthOf: () => ({ ...sound, isSupported: false }) })
  const found = folded.attempts.find((one) => one.attempt.runId === runId)
  if (found === undefined) throw new Error('the run is in its history')
  return { attempt: found, release: folded.release }
}

/** The answer, held against its own schema as well. */
function answer(parts: Partial<StoredUpload> = {}, folded: Parameters<typeof writeAnswer>[1] = foldedOf(pass.runId)) {
  return AnswerWire.parse(writeAnswer(stored(parts), folded, false))
}

describe('the answer to an upload', () => {
  test('of the worked example', () => {
    expect(answer()).toMatchObject({
      repeated: false,
      outcome: 'accepted',
      standing: 'accepted',
      codes: [],
      verdict: 'pass',
      stationVerdict: 'pass',
      evidence: 'provisional',
      attempt: 1,
      skewMs: 130,
      startedAt: '2026-03-16T09:00:00.000Z',
      startedAtUsed: '2026-03-16T09:00:00.000Z',
      judgedBy: { plan: 'ex36-final', revision: 7, editions: ['extractor-strength/3'], calibration: 'CAL-2026-0118' },
      release: { releasable: true, provisional: true, reasons: [] },
      action: 'Passed. Evidence is provisional until the next station check closes the bracket.',
    })
    expect(answer().steps[0]?.measurements[0]).toMatchObject({
      judged: { value: '97.4', unit: 'mOhm' },
      margin: { value: '61.1', unit: 'mOhm' },
      reasons: [{ code: 'lead-offset-subtracted', sentence: expect.stringContaining('21.0 mOhm') }],
    })
  })

  test('of a rejected upload holds no verdict, evidence, attempt or release, whatever its history', () => {
    const failure = rejectedFailure()
    const codes: CodeFound[] = [
      { code: 'unit-missing', pointer: '/steps/0/measurements/0/reading/unit', facts: {} },
      { code: 'revision-stale', facts: { plan: 'ex36-final', revision: '6', start: '2026-03-16T09:00:00.000Z' } },
    ]
    const parts = { runId: failure.runId, outcome: 'rejected', codes, judged: null, startedAtUsed: null } as const
    const written = answer(parts, foldedOf(failure.runId, [failure]))
    expect(written).toMatchObject({
      outcome: 'rejected',
      standing: 'rejected',
      verdict: null,
      evidence: null,
      attempt: null,
      release: null,
      judgedBy: null,
      steps: [],
      startedAtUsed: null,
    })
    expect(written.codes.map(({ code, pointer }) => [code, pointer])).toEqual([
      ['unit-missing', '#/steps/0/measurements/0/reading/unit'],
      ['revision-stale', null],
    ])
    expect(written.action).toMatch(/^Rejected, so the unit counts as untested: /)
  })

  test('of a held run is judged all the same, and no evidence', () => {
    const held = attempt({ outcome: 'held', codes: ['person-unknown'] })
    const codes: CodeFound[] = [{ code: 'person-unknown', pointer: '/person', facts: { person: 'P-0999' } }]
    const written = answer({ runId: held.runId, outcome: 'held', codes }, foldedOf(held.runId, [held]))
    expect(written).toMatchObject({ outcome: 'held', verdict: 'pass', evidence: 'none', attempt: 1 })
    expect(written.release?.reasons.map(({ code }) => code)).toEqual(['hold-open'])
    expect(written.action).toMatch(/^Held: .*P-0999/)
  })

  test('of a run that a later one has superseded says so', () => {
    const later = attempt({ startedAt: pass.startedAt + 60_000, verdict: 'fail' })
    const written = answer({}, foldedOf(pass.runId, [pass, later]))
    expect(written).toMatchObject({ outcome: 'accepted', evidence: 'superseded', release: { releasable: false } })
    expect(written.action).toContain('a later run speaks for this unit')
  })

  test('of a pass that may not ship yet says why', () => {
    const failure = rejectedFailure({ startedAt: pass.startedAt - 60_000 })
    const written = answer({}, foldedOf(pass.runId, [failure, pass]))
    expect(written.attempt).toBe(2)
    expect(written.action).toContain(`The unit may not ship yet: A failure was reported in the run ${failure.runId}`)
  })

  test('of every verdict has a sentence with its first reason', () => {
    const measurement = (verdict: 'fail' | 'invalid' | 'inconclusive') => ({
      ...judged,
      verdict,
      steps: [
        {
          step: 'strength',
          verdict,
          reasons: [],
          measurements: [
            {
              measurement: 'live-to-earth',
              verdict,
              reasons: [{ code: 'breakdown' as const, facts: { reached: '900 V' } }],
            },
          ],
        },
      ],
    })
    const actions = (['fail', 'invalid', 'inconclusive'] as const).map(
      (verdict) => answer({ judged: measurement(verdict) }).action,
    )
    expect(actions[0]).toMatch(/^Failed\. Step strength, live-to-earth: .*900 V/)
    expect(actions[1]).toMatch(/^Not a proper test/)
    expect(actions[2]).toMatch(/^A reading cannot be placed/)
    const missing: StoredJudgement = {
      ...judged,
      verdict: 'incomplete',
      steps: [{ step: 'touch', verdict: 'not-run', reasons: [], measurements: [] }],
    }
    expect(answer({ judged: missing }).action).toContain('Step touch was not run.')
  })

  test('of every code has a sentence that ends and names nothing undefined', () => {
    for (const code of uploadCodes) {
      const [written] = answer({ codes: [{ code, facts: {} }] }).codes
      expect(written?.action).toMatch(/\.$/)
      expect(written?.action).not.toMatch(/undefined|null|\[object/)
    }
  })
})
