import type { Move } from '../platform/versioned.ts'
import type { ProfileState } from './words.ts'

/** The acts on a station profile. Another one is written under a higher number; there is no editing. */
export const lifecycle = [
  { from: null, action: 'createStationProfile', to: 'in-review', who: 'write', secondPerson: false },
  { from: 'in-review', action: 'confirmStationProfile', to: 'confirmed', who: 'sign', secondPerson: true },
  { from: 'in-review', action: 'withdrawStationProfile', to: 'withdrawn', who: 'stop', secondPerson: false },
  { from: 'confirmed', action: 'withdrawStationProfile', to: 'withdrawn', who: 'stop', secondPerson: false },
] as const satisfies readonly Move<ProfileState, string>[]

export type ProfileAction = (typeof lifecycle)[number]['action']
