/** Shared by the program and the test that runs it; it names nothing of the generated client, which the test does not see. */

/** Where the program runs: the service, its first key, its time, and what lies in the seed and at the station. */
export interface Place {
  readonly url: string
  readonly administratorToken: string
  readonly fetch: typeof fetch
  now(): number
  /** Lets time pass, for the service as well. */
  pass(seconds: number): void
  /** Lets everything that was committed become known in the feed, and studies be worked through; where the service runs by itself, a second does. */
  settle(): Promise<void>
  /** A draft by its file's name in seed/aldermoor, of the shape asked for. */
  seed<Draft>(name: string): Draft
  /** A good run as the station keeps it, sent now. */
  goodRun(serial: string, sequenceNumber: number, cited: Cited): unknown
}

export interface Cited {
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly programming: string
}

/** What became of it, for the test to look at. */
export interface Driven {
  readonly [told: string]: unknown
}
