import type { Cited } from '../demo/bench.ts'

/** What the process that serves is asked. */
export type ServerOrder = { readonly ask: 'peak' } | { readonly ask: 'bare-insert'; readonly batchId: string }

/** What it says: first where it is found, then an answer to each order. */
export type ServerAnswer =
  | { readonly port: number; readonly token: string; readonly cited: Cited }
  | { readonly peakKb: number }
  | { readonly seconds: number; readonly uploads: number }
  | { readonly failed: string }
