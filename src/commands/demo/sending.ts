import { z } from 'zod'
import { writeInstant } from '../../exact/time.ts'
import { type Answer, AnswerWire } from '../../intake/answer-words.ts'
import type { Run } from './bench.ts'
import { expectAnswer, insist } from './client.ts'
import type { Stage } from './stage.ts'

/** How the story goes on; anything else stops the demo. */
export interface Told {
  readonly status: 201 | 202 | 422
  readonly verdict?: 'pass' | 'fail' | 'invalid'
  /** The first code of a held or rejected upload. */
  readonly code?: string
  readonly repeated?: boolean
  /** How much the station's clock is slow; none where absent. */
  readonly slowSeconds?: number
}

/** A rejected upload is a problem document with the members of an answer. */
const RejectedWire = z.looseObject({
  type: z.literal('urn:limitkeep:problem:upload-rejected'),
  ...AnswerWire.shape,
})

const outcomes = { 201: 'accepted', 202: 'held', 422: 'rejected' } as const

/** Sends a run as the station does, with `sentAt` stamped anew, and tells what the service made of it. */
export async function sendRun(stage: Stage, run: Run, told: Told): Promise<Answer> {
  const { cast, shift, tell, tally } = stage
  const sentAt = writeInstant(shift.now() - (told.slowSeconds ?? 0) * 1_000)
  const posted = await cast.station.post('/v1/runs', { ...run, sentAt })
  const answer = expectAnswer(posted, told.status, told.status === 422 ? RejectedWire : AnswerWire)
  const { outcome, verdict, codes, repeated, action } = answer
  insist(outcome === outcomes[told.status], `${run.serial} should be ${outcomes[told.status]}`, answer)
  insist(repeated === (told.repeated ?? false), `${run.serial}: repeated should be ${told.repeated ?? false}`, answer)
  insist(
    told.verdict === undefined || verdict === told.verdict,
    `${run.serial}: the verdict should be ${told.verdict}`,
    answer,
  )
  insist(
    told.code === undefined || codes[0]?.code === told.code,
    `${run.serial}: the code should be ${told.code}`,
    answer,
  )
  tally.countUpload(answer)
  const [first] = codes
  const word =
    first === undefined ? (verdict ?? '') : `${first.code}${first.pointer === null ? '' : ` at ${first.pointer}`}`
  // The same advice again and again would hide what is new.
  const advice = stage.toldBefore.has(action) ? '' : ` ${action}`
  stage.toldBefore.add(action)
  tell.gets(`${told.status} ${outcome}${repeated ? ', repeated' : ''}: ${word}.${advice}`)
  return answer
}

/** Sends other content under a key that was used before. */
export async function sendConflict({ cast, shift, tell, tally }: Stage, run: Run, firstRunId: string): Promise<void> {
  const posted = await cast.station.post('/v1/runs', { ...run, sentAt: writeInstant(shift.now()) })
  const problem = expectAnswer(
    posted,
    409,
    z.looseObject({
      type: z.literal('urn:limitkeep:problem:upload-key-reused'),
      detail: z.string(),
      first: z.looseObject({ runId: z.literal(firstRunId) }),
    }),
  )
  tally.countConflict()
  tell.gets(`409 upload-key-reused: ${problem.detail}`)
}
