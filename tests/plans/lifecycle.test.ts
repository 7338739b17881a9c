import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { lifecycle } from '../../src/plans/lifecycle.ts'
import { type RevisionState, revisionStates } from '../../src/plans/words.ts'
import { stateAfter } from '../../src/platform/versioned.ts'

const actions = lifecycle.map(({ action }) => action)

describe('acts on a revision', () => {
  test.each(lifecycle)('$action leads from $from to $to', ({ from, action, to }) => {
    expect(stateAfter(lifecycle, action, from)).toBe(to)
  })

  test('no other act is known', () => {
    const known = lifecycle.map(({ from, action }) => `${from} ${action}`)
    for (const from of [null, ...revisionStates]) {
      for (const action of actions) {
        if (!known.includes(`${from} ${action}`)) expect(stateAfter(lifecycle, action, from)).toBeUndefined()
      }
    }
  })

  test('every way to approved passes a review, and content is written in a draft only', () => {
    fc.assert(
      fc.property(fc.array(fc.constantFrom(...actions), { maxLength: 30 }), (tried) => {
        let state: RevisionState | null = null
        const done: string[] = []
        for (const action of tried) {
          const next: RevisionState | undefined = stateAfter<RevisionState, string>(lifecycle, action, state)
          if (next === undefined) continue
          state = next
          done.push(action)
        }
        const approved = done.indexOf('approveRevision')
        if (approved >= 0) expect(done[approved - 1]).toBe('submitRevision')
        const submitted = done.indexOf('submitRevision')
        if (submitted >= 0) expect(done.slice(submitted)).not.toContain('replaceRevision')
        if (state === 'approved' || state === 'withdrawn') expect(approved).toBeGreaterThan(0)
      }),
    )
  })

  test('an author does not approve, and may withdraw', () => {
    const byAuthor = Object.fromEntries(lifecycle.map(({ action, secondPerson }) => [action, !secondPerson]))
    expect(byAuthor).toMatchObject({ approveRevision: false, withdrawRevision: true, submitRevision: true })
  })
})
