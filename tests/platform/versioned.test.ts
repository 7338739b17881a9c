import { describe, expect, test } from 'vitest'
import { digestOf } from '../../src/exact/canonical.ts'
import { Problem } from '../../src/platform/problems.ts'
import {
  firstState,
  type Move,
  requireHigherNumber,
  requireMove,
  stateAfter,
  withAuthor,
} from '../../src/platform/versioned.ts'
import { draftErrors, readEffect, readStored } from '../../src/platform/versioned-words.ts'

type State = 'draft' | 'in-review' | 'signed'
const lifecycle = [
  { from: null, action: 'create', to: 'draft', who: 'write', secondPerson: false },
  { from: 'draft', action: 'replace', to: 'draft', who: 'write', secondPerson: false, refusal: 'version-locked' },
  { from: 'draft', action: 'submit', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'draft', action: 'sign', to: 'signed', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'sign', to: 'signed', who: 'sign', secondPerson: true },
] as const satisfies readonly Move<State, string>[]

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
        const problem = problemOf(() => expect(requireMove(lifecycle, action, current(state), { by: 'P-3' })).toBe(to))
        expect(problem?.key).toBe(to === undefined ? 'state-conflict' : undefined)
      }
    }
    expect(problemOf(() => requireMove(lifecycle, 'sign', current('signed'), { by: 'P-3' }))?.detail).toBe(
      'Version 3 of EX36 is signed; sign needs it to be draft or in-review.',
    )
    const locked = problemOf(() => requireMove(lifecycle, 'replace', current('in-review'), { by: 'P-1' }))
    expect(locked).toMatchObject({ key: 'version-locked', members: { state: 'in-review' } })
    expect(locked?.detail).toBe('Version 3 of EX36 is in-review; replace needs it to be draft.')
    expect(firstState(lifecycle, 'create')).toBe('draft')
    expect(() => firstState(lifecycle, 'sign')).toThrow('makes nothing')
  })

  test('is signed as seen, by someone who wrote nothing of it', () => {
    const keyOf = (by: string, digest: string | null | undefined, action: 'submit' | 'sign' = 'sign') =>
      problemOf(() => requireMove(lifecycle, action, current('draft'), { by, digest }))?.key
    expect(keyOf('P-3', 'sha256:aa')).toBeUndefined()
    expect(keyOf('P-3', 'sha256:ab')).toBe('digest-stale')
    expect(keyOf('P-2', 'sha256:aa')).toBe('two-people-required')
    expect(keyOf('P-2', 'sha256:aa', 'submit')).toBeUndefined()
    expect(keyOf('P-2', 'sha256:ab', 'submit')).toBe('digest-stale')
    // Only what signs must say which content it is; its own schema holds it to that.
    for (const digest of [null, undefined]) expect(keyOf('P-2', digest, 'submit')).toBeUndefined()
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

describe('a draft', () => {
  const draft = (number: number, changeReason?: string | null) => ({
    content: { product: 'EX36', version: number },
    changeReason,
  })
  const path = { product: 'EX36', version: 2 }

  test('names the path it is sent to, and says why it differs from the one before', () => {
    expect(draftErrors(draft(2, 'tightened'), path, 2)).toEqual([])
    expect(draftErrors(draft(1), { ...path, version: 1 }, 1)).toEqual([])
    for (const reason of [undefined, null, '', ' ']) {
      const [error, ...more] = draftErrors(draft(2, reason), path, 2)
      expect([error?.pointer, error?.code, more]).toEqual(['/changeReason', 'field-missing', []])
    }
    expect(draftErrors(draft(3, 'tightened'), { product: 'GS-31', version: 2 }, 2)).toEqual([
      { pointer: '/content/product', detail: 'The path names the product GS-31.' },
      { pointer: '/content/version', detail: 'The path names the version 2.' },
    ])
  })

  test('takes effect at once or at an instant', () => {
    expect(readEffect('at-once', '/from')).toBe('at-once')
    expect(readEffect('2026-03-16T09:00:00Z', '/from')).toBe(Date.UTC(2026, 2, 16, 9))
    expect(problemOf(() => readEffect('2026-03-16T09:00:00', '/from'))?.errors).toMatchObject([
      { pointer: '/from', code: 'offset-missing' },
    ])
  })

  test('comes back as it was stored, or not at all', () => {
    const digest = digestOf('{"a":"1"}')
    expect(readStored({ content: '{"a":"1"}', digest }, 'version 3 of EX36')).toEqual({ a: '1' })
    expect(() => readStored({ content: '{"a":"2"}', digest }, 'version 3 of EX36')).toThrow(
      'version 3 of EX36 was changed in the database',
    )
  })
})
