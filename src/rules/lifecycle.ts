import type { Move } from '../platform/versioned.ts'
import type { EditionState } from './record.ts'

/** The acts on an edition. The digest binds a publication, so a draft need not be submitted first. */
export const lifecycle = [
  { from: null, action: 'createEdition', to: 'draft', who: 'write', secondPerson: false },
  {
    from: 'draft',
    action: 'replaceEdition',
    to: 'draft',
    who: 'write',
    secondPerson: false,
    refusal: 'edition-locked',
  },
  { from: 'draft', action: 'submitEdition', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'draft', action: 'publishEdition', to: 'published', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'publishEdition', to: 'published', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'rejectEdition', to: 'rejected', who: 'stop', secondPerson: false },
  { from: 'published', action: 'cancelEdition', to: 'cancelled', who: 'stop', secondPerson: false },
] as const satisfies readonly Move<EditionState, string>[]

export type EditionAction = (typeof lifecycle)[number]['action']
