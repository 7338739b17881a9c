import type { MachineActor } from '../access/words.ts'
import type { ReceivedClock } from '../platform/clock.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { Problem } from '../platform/problems.ts'
import { type Batches, createBatches } from './acts-batch.ts'
import { createLane, type Lane } from './acts-lane.ts'
import { writeAnswer } from './answer.ts'
import type { Answer } from './answer-words.ts'
import { readUpload } from './read-upload.ts'
import { readAnswer, readInForceNow } from './reads.ts'
import { conflictProblem, planToName, rejectedProblem, unreadableProblem } from './refused.ts'
import { keptRow, statusOf, storedOf } from './rows.ts'
import { intakeStore, keepUploads } from './store.ts'

/** What the intake room keeps while the service runs. */
export interface Intake {
  /**
   * Takes one upload of a machine: reads, admits, judges, commits, and answers when it is durable.
   * @throws Problem `body-not-json`, `upload-rejected`, `upload-key-reused`, `key-invalid`, `overloaded`
   */
  uploadRun(actor: MachineActor, raw: Buffer): Promise<{ status: 201 | 202; answer: Answer }>
  /**
   * Says what would be answered to an upload sent now, and stores nothing of it. Its unit's history is not asked.
   * @throws Problem `body-not-json`, `key-invalid`, `overloaded`
   */
  checkRun(actor: MachineActor, raw: Buffer): Promise<{ answer: Answer; status: 201 | 202 | 422 }>
  readonly batches: Batches
  /** Waits for what is queued; new uploads are refused. */
  drain(): Promise<void>
}

export interface IntakeOptions {
  readonly database: Database
  readonly received: ReceivedClock
  readonly log: Log
  /** Whether a machine key is still live, for what goes past the gate: the log of bytes that could not be read. */
  readonly isLive: (actor: MachineActor) => Promise<boolean>
}

export function createIntake(options: IntakeOptions): Intake {
  const { database, received, log } = options
  const lane: Lane = createLane({
    port: intakeStore(database, received),
    ids: database.ids,
    log,
    keepFailed: async (job, error) => {
      log.error({ err: error, runId: job.runId }, 'An upload could not be committed; its bytes are kept.')
      await keepUploads(database, [keptRow(job, { outcome: 'failed', status: 500, fault: null })])
    },
  })
  const batches = createBatches({ database, received, log, lane, isLive: options.isLive })
  return {
    batches,
    async checkRun(actor, raw) {
      const receivedAt = received.now()
      const read = readUpload(raw)
      if (read.kind === 'unreadable') {
        throw new Problem('body-not-json', {
          detail: `${read.message} (byte ${read.offset})`,
          members: { code: read.code, offset: read.offset },
        })
      }
      const upload = { actor, read, raw, receivedAt, runId: database.ids.mint(receivedAt) }
      const stored = storedOf(upload, await lane.decide(upload))
      const { product, serial, outcome } = stored
      log.info({ product, serial, outcome, station: stored.station }, 'An upload was checked and not stored.')
      return { answer: writeAnswer(stored, null, false), status: statusOf(outcome) }
    },
    async uploadRun(actor, raw) {
      const receivedAt = received.now()
      const runId = database.ids.mint(receivedAt)
      const read = readUpload(raw)
      if (read.kind === 'unreadable') {
        if (!(await options.isLive(actor))) throw new Problem('key-invalid')
        const { code, offset, message } = read
        const fault = { code, offset, message }
        const kept = keptRow({ actor, raw, receivedAt, runId }, { outcome: 'unreadable', status: 400, fault })
        await keepUploads(database, [kept])
        throw unreadableProblem(fault, runId)
      }
      const result = await lane.submit({ actor, read, raw, receivedAt, runId })
      switch (result.kind) {
        case 'stored': {
          const history = result.history
          return await answered(options, writeAnswer(result.stored, history, false), actor)
        }
        case 'repeat': {
          // Its own id under the key: the first COMMIT went through although its answer was lost.
          const repeated = result.first.uploadId !== runId
          return await answered(options, await readAnswer(database, result.first.uploadId, actor, repeated), actor)
        }
        case 'conflict':
          throw conflictProblem(read.digest, result.first)
      }
    },
    async drain() {
      await Promise.all([batches.drain(), lane.drain()])
    },
  }
}

async function answered(
  { database, received }: IntakeOptions,
  answer: Answer,
  actor: MachineActor,
): Promise<{ status: 201 | 202; answer: Answer }> {
  const status = statusOf(answer.outcome)
  if (status !== 422) return { status, answer }
  const plan = planToName(answer)
  const at = received.now()
  throw rejectedProblem(
    answer,
    plan === undefined ? undefined : await readInForceNow(database, { plan, site: actor.site, at }),
  )
}
