import type { Move } from '../platform/versioned.ts'
import type { RevisionState } from './words.ts'

/**
 * The acts on a revision. Approval is the only way in force. A cancellation takes it back before its instant, a withdrawal
 * ends it; one that was withdrawn may be withdrawn from an earlier instant. Rejected content stays as it was read.
 */
export const lifecycle = [
  { from: null, action: 'createRevision', to: 'draft', who: 'write', secondPerson: false },
  {
    from: 'draft',
    action: 'replaceRevision',
    to: 'draft',
    who: 'write',
    secondPerson: false,
    refusal: 'revision-locked',
  },
  { from: 'draft', action: 'submitRevision', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'in-review', action: 'approveRevision', to: 'approved', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'rejectRevision', to: 'rejected', who: 'stop', secondPerson: false },
  { from: 'approved', action: 'cancelRevision', to: 'cancelled', who: 'stop', secondPerson: false },
  { from: 'approved', action: 'withdrawRevision', to: 'withdrawn', who: 'stop', secondPerson: false },
  { from: 'withdrawn', action: 'withdrawRevision', to: 'withdrawn', who: 'stop', secondPerson: false },
] as const satisfies readonly Move<RevisionState, string>[]

export type RevisionAction = (typeof lifecycle)[number]['action']
