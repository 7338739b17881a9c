import type { Wire } from './payload.ts'

/** What the process that makes the load is asked for. */
export interface LoadOrder {
  readonly host: string
  readonly port: number
  readonly path: string
  readonly token: string
  readonly wire: Wire
  readonly connections: number
  readonly seconds: number
  /** Absent: closed loop, each connection sends as soon as it was answered. Else so many begin a second, whatever comes back. */
  readonly perSecond?: number
}

export interface LoadReport {
  /** Answers by status. */
  readonly answers: Readonly<Record<number, number>>
  readonly perSecond: number
  /** Milliseconds from the instant at which each was due to its answer; from sending, in a closed loop. */
  readonly p50: number
  readonly p99: number
}

export type LoadAnswer = { readonly report: LoadReport } | { readonly failed: string }
