import type { z } from 'zod'
import { AssignmentWire } from '../../stations/words.ts'
import { type Cited, goodRun, RUN_MS, type Run, STATION, type Unit } from './bench.ts'
import { type Answer, type Caller, expectAnswer, insist, type Signer } from './client.ts'
import type { Narrator } from './narrator.ts'
import type { Shift } from './shift.ts'
import type { Tally } from './tally.ts'

/** Who acts in the story. All are invented. */
export interface Cast {
  readonly administrator: Caller
  /** Test engineer: author, and approver of what others wrote. */
  readonly engineer: Signer
  /** Quality manager: approver. */
  readonly manager: Signer
  /** Keys testers. No role. */
  readonly technician: Caller
  /** Works at the station and reads back what was keyed. No role. */
  readonly operator: Caller
  /** The station's own key, held by the plant's execution system. */
  readonly station: Caller
}

/** What every scene works with. */
export interface Stage {
  readonly shift: Shift
  readonly tell: Narrator
  readonly tally: Tally
  readonly cast: Cast
  readonly bench: Bench
  /** Sentences that were told in full before. */
  readonly toldBefore: Set<string>
}

/** The station's side: what it was last told to test with, and its count of starts. */
export interface Bench {
  cited: Cited | undefined
  sequenceNumber: number
  leadOffsetAt: number
}

/** The first number of the shift is one more. */
const SEQUENCE_BEFORE = 7_312
/** The time between the end of a run and its sending. */
const SENDING_MS = 700
/** Taking the next unit, connecting it, closing the guard. */
const LOADING_SECONDS = 90

export function newBench(): Bench {
  return { cited: undefined, sequenceNumber: SEQUENCE_BEFORE, leadOffsetAt: 0 }
}

/** The station asks what to test with, and goes by it from then on. */
export async function askAssignment({ cast, bench }: Stage): Promise<z.infer<typeof AssignmentWire>> {
  const path = `/v1/stations/${STATION}/assignment?product=EX36&variant=EX36-3M&operation=final`
  const assignment = expectAnswer(await cast.station.get(path), 200, AssignmentWire)
  const { plan, revision, revisionDigest, programming } = assignment
  if (plan !== null && revision !== null && revisionDigest !== null && programming !== null) {
    bench.cited = { plan, revision, revisionDigest, programming }
  }
  return assignment
}

/** The next unit is loaded and tested, with good numbers. What was cited last is cited, whether it still holds or not. */
export function testUnit({ shift, bench }: Stage, unit: Unit): Run {
  insist(bench.cited !== undefined, 'the station should have an assignment', bench)
  shift.pass(LOADING_SECONDS + RUN_MS / 1_000)
  bench.sequenceNumber += 1
  return goodRun(unit, bench.cited, {
    sequenceNumber: bench.sequenceNumber,
    startedAt: shift.now() - RUN_MS - SENDING_MS,
    leadOffsetAt: bench.leadOffsetAt,
  })
}

/** A sentence for an answer that refuses: its status, the word of its type, and what it says. */
export function refusalText({ status, body }: Answer): string {
  const { type, detail, title } = body as { type?: string; detail?: string; title?: string }
  return `${status} ${(type ?? '').split(':').at(-1)}: ${detail ?? title ?? ''}`
}
