import { expect } from 'vitest'
import { lifecycle } from '../../src/plans/lifecycle.ts'
import type { RevisionState } from '../../src/plans/words.ts'
import { Problem } from '../../src/platform/problems.ts'
import { requireMove, type Versioned } from '../../src/platform/versioned.ts'
import { ANOTHER_DIGEST, type Scene, signingsOf } from './scene.ts'

const DIGEST = `sha256:${'1'.repeat(64)}`
const persons = { author: 'P-0101', 'second-person': 'P-0201' } as const

/** The approvals of a case, as the life cycle of a revision decides them. */
export function runSigningsPure({ given: { revisions } }: Scene): void {
  for (const given of revisions.filter(({ isDraft, refused }) => !isDraft && refused === undefined)) {
    let state: RevisionState = 'in-review'
    for (const { by, seen, refused } of signingsOf(given)) {
      const current: Versioned<RevisionState> = {
        name: 'the revision',
        state,
        digest: DIGEST,
        authors: [persons.author],
      }
      const asked = { by: persons[by], digest: seen === 'content' ? DIGEST : ANOTHER_DIGEST }
      try {
        state = requireMove(lifecycle, 'approveRevision', current, asked)
        expect(refused).toBeUndefined()
      } catch (error) {
        if (!(error instanceof Problem)) throw error
        expect(error.key).toBe(refused)
      }
    }
    expect(state).toBe('approved')
  }
}
