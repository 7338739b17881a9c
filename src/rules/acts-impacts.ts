import { holdImpact as hold, insertImpact, updateImpact } from './store-impacts.ts'

/** Keeps what was asked for, in the act of whoever asks. It is worked out by the room that can check plans. */
export const openImpact = insertImpact

/** Holds an impact that nobody else has in hand, until the transaction ends. */
export const holdImpact = hold

/** Keeps how far an impact came and its figures, which the publication repeats. Hold it first. */
export const recordImpact = updateImpact
