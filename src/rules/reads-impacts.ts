import { selectImpacts, selectImpactsIn } from './store-impacts.ts'

/** Those of the keys that there are, in any order. */
export const readImpacts = selectImpacts

/** Those in one of these states, the one asked for first first. */
export const readImpactsIn = selectImpactsIn
