import type { MachineActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import type { ReceivedClock } from '../platform/clock.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Log } from '../platform/log.ts'
import { Problem } from '../platform/problems.ts'
import { createLane, type Lane } from './acts-lane.ts'
import { writeAnswer } from './answer.ts'
import type { Answer } from './answer-words.ts'
import type { Received } from './decided.ts'
import { readUpload, type UploadRead } from './read-upload.ts'
import { readAnswer, readInForceNow } from './reads.ts'
import { statusOf } from './rows.ts'
import { intakeStore, keepUpload } from './store.ts'

/** What the intake room keeps while the service runs. */
export interface Intake {
  /**
   * Takes one upload of a machine: reads, admits, judges, commits, and answers when it is durable.
   * @throws Problem `body-not-json`, `upload-rejected`, `upload-key-reused`, `key-invalid`, `overloaded`
   */
  uploadRun(actor: MachineActor, raw: Buffer): Promise<{ status: 201 | 202; answer: Answer }>
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
      await keepBytes(database, job, { outcome: 'failed', status: 500 })
    },
  })
  return {
    async uploadRun(actor, raw) {
      const receivedAt = received.now()
      const runId = database.ids.mint(receivedAt)
      const read = readUpload(raw)
      if (read.kind === 'unreadable') {
        if (!(await options.isLive(actor))) throw new Problem('key-invalid')
        await keepBytes(database, { actor, raw, receivedAt, runId }, { outcome: 'unreadable', status: 400 })
        throw unreadable(read, runId)
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
          throw new Problem('upload-key-reused', {
            detail:
              'The first upload under this key stays; this one is kept beside it. Send different content under a new key.',
            members: {
              uploadKey: result.first.uploadKey,
              contentDigest: read.digest,
              first: {
                runId: result.first.uploadId,
                contentDigest: result.first.digest,
                receivedAt: writeInstant(result.first.receivedAt),
              },
            },
          })
      }
    },
    drain: () => lane.drain(),
  }
}

function unreadable(read: Extract<UploadRead, { kind: 'unreadable' }>, runId: string): Problem {
  return new Problem('body-not-json', {
    detail: `${read.message} (byte ${read.offset}). The bytes are kept as upload ${runId}.`,
    members: { code: read.code, offset: read.offset, runId },
  })
}

/** Codes of a refusal that another revision would mend: the answer then names the one in force. */
const REVISION_CODES: ReadonlySet<string> = new Set([
  'revision-stale',
  'revision-not-yet-in-force',
  'revision-blocked',
  'revision-unknown',
  'digest-mismatch',
])

async function answered(
  { database, received }: IntakeOptions,
  answer: Answer,
  actor: MachineActor,
): Promise<{ status: 201 | 202; answer: Answer }> {
  const status = statusOf(answer.outcome)
  if (status !== 422) return { status, answer }
  const { plan } = answer.codes.find(({ code }) => REVISION_CODES.has(code))?.facts ?? {}
  const inForce =
    plan === undefined ? undefined : await readInForceNow(database, { plan, site: actor.site, at: received.now() })
  throw new Problem('upload-rejected', {
    detail: answer.action,
    members: { ...answer, ...(inForce === undefined ? {} : { inForce }) },
  })
}

/** The bytes of an upload that became no run, without a key: they spoil none. */
async function keepBytes(
  database: Database,
  { actor, raw, receivedAt, runId }: Pick<Received, 'actor' | 'raw' | 'receivedAt' | 'runId'>,
  { outcome, status }: { readonly outcome: 'unreadable' | 'failed'; readonly status: number },
): Promise<void> {
  await keepUpload(database, {
    site: actor.site,
    receivedAt,
    uploadId: runId,
    station: actor.kind === 'station' ? (actor.stations[0] ?? null) : null,
    uploadKey: null,
    sequenceNumber: null,
    sender: actor.key,
    sentAt: null,
    skewMs: null,
    raw,
    contentDigest: null,
    outcome,
    status,
    codes: '[]',
    product: null,
    serial: null,
    plan: null,
    revision: null,
    startedAt: null,
    judgement: null,
  })
}
