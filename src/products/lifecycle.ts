import type { Move } from '../platform/versioned.ts'
import type { VersionState } from './words.ts'

/** The acts on a product version. The digest binds a confirmation, so a draft need not be submitted first. */
export const lifecycle = [
  { from: null, action: 'createVersion', to: 'draft', who: 'write', secondPerson: false },
  {
    from: 'draft',
    action: 'replaceVersion',
    to: 'draft',
    who: 'write',
    secondPerson: false,
    refusal: 'version-locked',
  },
  { from: 'draft', action: 'submitVersion', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'draft', action: 'confirmVersion', to: 'confirmed', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'confirmVersion', to: 'confirmed', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'rejectVersion', to: 'rejected', who: 'stop', secondPerson: false },
  { from: 'confirmed', action: 'cancelVersion', to: 'cancelled', who: 'stop', secondPerson: false },
] as const satisfies readonly Move<VersionState, string>[]

export type VersionAction = (typeof lifecycle)[number]['action']
