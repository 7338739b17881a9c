import { describe, expect, test } from 'vitest'
import { Problem } from '../../src/platform/problems.ts'
import {
  requireDigest,
  requireHigherNumber,
  requireMove,
  requireOtherThanAuthors,
  stateAfter,
  withAuthor,
} from '../../src/platform/versioned.ts'

const lifecycle = [
  { from: 'draft', action: 'submit', to: 'in-review', who: 'write' },
  { from: 'draft', action: 'sign', to: 'signed', who: 'sign' },
  { from: 'in-review', action: 'sign', to: 'signed', who: 'sign' },
] as const
type State = 'draft' | 'in-review' | 'signed'

const current = (state: State) => ({ name: 'version 3 of EX36', state, digest: 'sha256:aa', authors: ['P-1', 'P-2'] })

function problemOf(work: () => unknown): Problem | undefined {
  try {
    work()
  } catch (error) {
    if (error instanceof Problem) return error
    throw error
  }
  return undefined
}

describe('signed content', () => {
  test('moves along the lines of its life cycle and no others', () => {
    for (const state of ['draft', 'in-review', 'signed'] as const) {
      for (const action of ['submit', 'sign'] as const) {
        const to = stateAfter(lifecycle, action, state)
        const problem = problemOf(() => expect(requireMove(lifecycle, action, current(state))).toBe(to))
        expect(problem?.key).toBe(to === undefined ? 'state-conflict' : undefined)
      }
    }
    expect(problemOf(() => requireMove(lifecycle, 'sign', current('signed')))?.detail).toBe(
      'Version 3 of EX36 is signed; sign needs it to be draft or in-review.',
    )
  })

  test('is signed as seen, by someone who wrote nothing of it', () => {
    expect(problemOf(() => requireDigest(current('draft'), 'sha256:aa'))).toBeUndefined()
    expect(problemOf(() => requireDigest(current('draft'), 'sha256:ab'))?.key).toBe('digest-stale')
    expect(problemOf(() => requireOtherThanAuthors(current('draft'), 'P-2'))?.key).toBe('two-people-required')
    expect(problemOf(() => requireOtherThanAuthors(current('draft'), 'P-3'))).toBeUndefined()
  })

  test('keeps every author once, in order', () => {
    expect(withAuthor(['P-1'], 'P-2')).toEqual(['P-1', 'P-2'])
    expect(withAuthor(['P-1', 'P-2'], 'P-1')).toEqual(['P-1', 'P-2'])
  })

  test('has numbers that rise', () => {
    const key = (asked: number, highest: number | null, isTaken: boolean) =>
      problemOf(() => requireHigherNumber(asked, { highest, isTaken, name: 'version', pointer: '/content/version' }))
        ?.key
    expect(key(1, null, false)).toBeUndefined()
    expect(key(8, 7, false)).toBeUndefined()
    expect(key(7, 7, true)).toBe('already-exists')
    expect(key(6, 7, false)).toBe('number-not-higher')
  })
})
