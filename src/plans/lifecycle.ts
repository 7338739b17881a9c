import type { RevisionState } from './words.ts'

/**
 * The acts on a revision. `who` is the permission that the act needs; with `secondPerson` the one who acts may not be
 * among the authors of the content. Approval is the only way in force, and withdrawal the only way out of approved.
 */
export const lifecycle = [
  { from: null, action: 'createRevision', to: 'draft', who: 'write', secondPerson: false },
  { from: 'draft', action: 'replaceRevision', to: 'draft', who: 'write', secondPerson: false },
  { from: 'draft', action: 'submitRevision', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'in-review', action: 'approveRevision', to: 'approved', who: 'sign', secondPerson: true },
  { from: 'approved', action: 'withdrawRevision', to: 'withdrawn', who: 'stop', secondPerson: false },
] as const satisfies readonly {
  from: RevisionState | null
  action: string
  to: RevisionState
  who: 'write' | 'sign' | 'stop'
  secondPerson: boolean
}[]

export type RevisionAction = (typeof lifecycle)[number]['action']

/** Where an act leads from a state; undefined where the table does not know it. */
export function nextState(from: RevisionState | null, action: RevisionAction): RevisionState | undefined {
  return lifecycle.find((act) => act.from === from && act.action === action)?.to
}

/** Whether this person may act: where the act needs a second person, no author of the content may. */
export function isSecondPerson(action: RevisionAction, person: string, authors: readonly string[]): boolean {
  const needed = lifecycle.some((act) => act.action === action && act.secondPerson)
  return !needed || !authors.includes(person)
}
