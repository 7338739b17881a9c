import { type Facts, isKeyLive, missingNeeds } from '../judging/facts.ts'
import { failureOf, translated } from '../platform/database/transaction.ts'
import type { Ids } from '../platform/ids.ts'
import type { Log } from '../platform/log.ts'
import { Problem } from '../platform/problems.ts'
import { type CommitResult, commitUploads, type Entrant } from './acts-commit.ts'
import { keepFacts, knownFacts, loadLaneFacts, type RememberedFacts } from './acts-lane-facts.ts'
import { type Decided, decideReceived, needsOfReceived, type Received } from './decided.ts'
import type { IntakePort, RevisionName } from './port.ts'

/**
 * One queue per site, and many uploads in one commit. There is no timer: an idle lane commits at once, and batches form
 * by themselves while commits are in flight. Full queues refuse, so that memory stays bounded and nobody waits for long.
 */
export interface Lane {
  /**
   * Queues one upload and answers when its commit is durable.
   * @throws Problem `overloaded` where the queue is full or the wait too long, `key-invalid` where the key was revoked
   */
  submit(received: Received): Promise<LaneResult>
  /**
   * Queues lines of a batch, which wait as long as it takes beside the single uploads, and answers when each is durable
   * or refused, in their order. The caller bounds how many it hands over. `isRetried`: a commit with them may have gone
   * through before, its answer lost.
   */
  submitAll(received: readonly Received[], isRetried: boolean): Promise<PromiseSettledResult<LaneResult>[]>
  /**
   * Decides one upload by the facts as they are now, and stores nothing of it.
   * @throws Problem `key-invalid`, `overloaded`
   */
  decide(received: Received): Promise<Decided>
  /** Waits until nothing is queued or in flight. New uploads are no longer taken. */
  drain(): Promise<void>
}

export type LaneResult = Exclude<CommitResult, { kind: 'unchecked' | 'key-revoked' }>

export interface LaneOptions {
  readonly port: IntakePort
  readonly ids: Ids
  readonly log: Log
  /** Keeps the bytes of an upload that the database refuses for its data, which is a bug of ours. */
  readonly keepFailed: (received: Received, error: unknown) => Promise<void>
}

const RUNS_MAX = 2_000
const BYTES_MAX = 32 * 1_048_576
const BATCH_RUNS_MAX = 256
const BATCH_BYTES_MAX = 1_048_576
/** Of a commit, what single uploads get at most while lines of batches wait, so that neither kind starves the other. */
const SINGLE_SHARE = 0.75
const IN_FLIGHT_PER_SITE = 2
const IN_FLIGHT_TOTAL = 4
const WAIT_MAX_MS = 2_000
const ROUNDS_MAX = 3

interface Job {
  readonly received: Received
  /** How often its revision was checked for it. */
  rounds: number
  /** Whether it was tried again after a connection died under it. */
  isRetried: boolean
  /** Answered or refused; what comes later is not for it. */
  isSettled: boolean
  /** Fires when it has waited too long; cleared when a commit takes it. */
  timer: NodeJS.Timeout | undefined
  /** A line of a batch: it waits without a limit. */
  readonly isPatient: boolean
  readonly resolve: (result: LaneResult) => void
  readonly reject: (error: unknown) => void
}

interface SiteLane extends RememberedFacts {
  queue: Job[]
  /** Lines of batches. */
  patient: Job[]
  inFlight: number
}

export function createLane(options: LaneOptions): Lane {
  const lanes = new Map<string, SiteLane>()
  /** Single uploads and lines of batches. */
  let queued = 0
  /** Single uploads alone. */
  let queuedRuns = 0
  let queuedBytes = 0
  let inFlight = 0
  let isDraining = false
  const drained: (() => void)[] = []

  const pump = () => {
    // One batch a turn, and whoever had one goes to the end: two busy sites must not starve a third.
    for (let isMoving = true; isMoving; ) {
      isMoving = false
      for (const lane of [...lanes.values()]) {
        if (
          lane.queue.length + lane.patient.length === 0 ||
          lane.inFlight >= IN_FLIGHT_PER_SITE ||
          inFlight >= IN_FLIGHT_TOTAL
        )
          continue
        lanes.delete(lane.site)
        lanes.set(lane.site, lane)
        start(lane, takeBatch(lane))
        isMoving = true
      }
    }
    if (inFlight === 0 && queued === 0) for (const resolve of drained.splice(0)) resolve()
  }

  const takeBatch = (lane: SiteLane): Job[] => {
    const share = lane.patient.length === 0 ? 1 : SINGLE_SHARE
    const batch = cutFront(lane.queue, BATCH_RUNS_MAX * share, BATCH_BYTES_MAX * share)
    const bytes = batch.reduce((sum, job) => sum + job.received.raw.length, 0)
    if (batch.length < BATCH_RUNS_MAX && (batch.length === 0 || bytes < BATCH_BYTES_MAX)) {
      batch.push(...cutFront(lane.patient, BATCH_RUNS_MAX - batch.length, BATCH_BYTES_MAX - bytes))
    }
    for (const job of batch) leave(job)
    return batch
  }

  const enter = (lane: SiteLane, job: Job) => {
    queued += 1
    if (job.isPatient) {
      lane.patient.push(job)
      return
    }
    queuedRuns += 1
    queuedBytes += job.received.raw.length
    lane.queue.push(job)
    job.timer = setTimeout(() => {
      lane.queue = lane.queue.filter((one) => one !== job)
      leave(job)
      refuse(job, busy('The upload waited too long for its turn.'))
      pump()
    }, WAIT_MAX_MS)
  }

  const leave = (job: Job) => {
    queued -= 1
    if (job.isPatient) return
    clearTimeout(job.timer)
    queuedRuns -= 1
    queuedBytes -= job.received.raw.length
  }

  const laneOf = (site: string): SiteLane => {
    const known = lanes.get(site)
    if (known !== undefined) return known
    const lane: SiteLane = { site, queue: [], patient: [], inFlight: 0, facts: undefined, epoch: 0 }
    lanes.set(site, lane)
    return lane
  }

  /** Puts one upload into the queue of its site; the caller pumps. */
  const enqueue = (received: Received, isPatient: boolean, isRetried: boolean) =>
    new Promise<LaneResult>((resolve, reject) => {
      const state = { rounds: 0, isSettled: false, timer: undefined }
      enter(laneOf(received.actor.site), { received, isPatient, isRetried, ...state, resolve, reject })
    })

  const start = (lane: SiteLane, batch: Job[]) => {
    lane.inFlight += 1
    inFlight += 1
    runBatch(options, lane, batch)
      .catch((error: unknown) => {
        // Every way out of a batch settles its jobs; this one is a bug, and must not leave a client waiting.
        for (const job of batch) refuse(job, error)
      })
      .then((again) => {
        for (const job of again ?? []) enter(lane, job)
        lane.inFlight -= 1
        inFlight -= 1
        pump()
      })
  }

  return {
    submit(received) {
      if (isDraining) return Promise.reject(stopping())
      if (queuedRuns >= RUNS_MAX || queuedBytes + received.raw.length > BYTES_MAX) {
        return Promise.reject(busy('The queue for uploads is full.'))
      }
      const answered = enqueue(received, false, false)
      pump()
      return answered
    },
    submitAll(received, isRetried) {
      const answered = received.map((one) =>
        isDraining ? Promise.reject<LaneResult>(stopping()) : enqueue(one, true, isRetried),
      )
      pump()
      return Promise.allSettled(answered)
    },
    decide: (received) => decideOnly(options, laneOf(received.actor.site), received),
    drain() {
      isDraining = true
      return new Promise((resolve) => {
        drained.push(resolve)
        pump()
      })
    },
  }
}

/** Takes from the front of a queue what one commit may hold: at least one job, where there is any. */
function cutFront(queue: Job[], runsMax: number, bytesMax: number): Job[] {
  let bytes = 0
  let count = 0
  for (const job of queue) {
    if (count > 0 && (count >= runsMax || bytes + job.received.raw.length > bytesMax)) break
    bytes += job.received.raw.length
    count += 1
  }
  return queue.splice(0, count)
}

function answer(job: Job, result: LaneResult): void {
  job.isSettled = true
  job.resolve(result)
}

function refuse(job: Job, error: unknown): void {
  job.isSettled = true
  job.reject(error)
}

function stopping(): Problem {
  return new Problem('stopping', { headers: { 'retry-after': '5' } })
}

function busy(why: string): Problem {
  return new Problem('overloaded', {
    detail: `${why} Nothing was stored; send it again with the same upload key.`,
    headers: { 'retry-after': '1' },
  })
}

/** Runs one batch to the end of each of its jobs, but for those whose revision was checked first: they come again. */
async function runBatch(options: LaneOptions, lane: SiteLane, batch: readonly Job[]): Promise<Job[]> {
  const again: Job[] = []
  try {
    const decided = await decideBatch(options, lane, batch)
    const { entrants } = decided
    const ready = batch.filter((_, index) => entrants[index]?.decided.needsCheck === false)
    const unchecked = batch.filter((_, index) => entrants[index]?.decided.needsCheck === true)
    if (ready.length > 0) {
      const ofReady = entrants.filter((one) => !one.decided.needsCheck)
      const results = await commitReady(options, lane, { ...decided, entrants: ofReady })
      for (const [index, job] of ready.entries()) {
        const result = results[index]
        if (result === undefined) throw new Error('a commit answers each of its uploads')
        if (result.kind === 'unchecked') unchecked.push(job)
        else if (result.kind === 'key-revoked') refuse(job, new Problem('key-invalid'))
        else answer(job, result)
      }
    }
    if (unchecked.length > 0) again.push(...(await checkFirst(options, unchecked)))
    return again
  } catch (error) {
    await settleFailure(options, lane, batch, error, again)
    return again
  }
}

async function decideOnly(options: LaneOptions, lane: SiteLane, received: Received): Promise<Decided> {
  for (let round = 0; round < ROUNDS_MAX; round += 1) {
    const facts = await loadLaneFacts(options.port, lane, needsOfReceived(received))
    if (!isKeyLive(facts, received.actor.key)) throw new Problem('key-invalid')
    const decided = decideReceived(received, facts)
    const { plan, revision } = received.read.claim
    if (!decided.needsCheck || plan === undefined || revision === undefined) return decided
    await options.port.ensureChecked([{ plan, revision }])
  }
  throw busy('The rules changed again and again meanwhile.')
}

interface DecidedBatch {
  readonly facts: Facts
  readonly epoch: number
  readonly entrants: readonly Entrant[]
}

/** Loads what is missing and decides each upload outside any transaction that others wait for. */
async function decideBatch(options: LaneOptions, lane: SiteLane, batch: readonly Job[]): Promise<DecidedBatch> {
  const { port } = options
  const needs = batch.flatMap(({ received }) => needsOfReceived(received))
  const known = knownFacts(port, lane)
  const facts = known && missingNeeds(known, needs).length === 0 ? known : await loadLaneFacts(port, lane, needs)
  const { epoch } = lane
  const entrants = batch.map(({ received, isRetried }) => ({
    received,
    isRetried,
    decided: decideReceived(received, facts),
  }))
  await port.ensureMonths(
    batch.map(({ received }) => received.receivedAt),
    // Of refused ones too: by newer facts one may be held instead, and then its month must be there.
    entrants.flatMap(({ decided }) => (decided.startedAt === null ? [] : [decided.startedAt])),
  )
  return { facts, epoch, entrants }
}

async function commitReady(
  options: LaneOptions,
  lane: SiteLane,
  { facts, epoch, entrants }: DecidedBatch,
): Promise<readonly CommitResult[]> {
  const { port, ids } = options
  const isSameDatabase = () => port.epoch() === epoch
  let committedEpoch = epoch
  const outcome = await port.inCommit(async (commit) => {
    const result = await commitUploads(commit, { ids, site: lane.site, isSameDatabase }, facts, entrants)
    committedEpoch = port.epoch()
    return result
  })
  if (outcome.facts.version < facts.version) lane.facts = undefined
  keepFacts(lane, outcome.facts, committedEpoch)
  return outcome.results
}

/** Brings the checks of the revisions up to the rules, and lets the uploads queue again; after three rounds it is 503. */
async function checkFirst({ port }: LaneOptions, jobs: readonly Job[]): Promise<Job[]> {
  const revisions = new Map<string, RevisionName>()
  for (const { received } of jobs) {
    const { plan, revision } = received.read.claim
    if (plan !== undefined && revision !== undefined) revisions.set(`${plan}/${revision}`, { plan, revision })
  }
  await port.ensureChecked([...revisions.values()])
  const again: Job[] = []
  for (const job of jobs) {
    job.rounds += 1
    if (job.rounds < ROUNDS_MAX) again.push(job)
    else refuse(job, busy('The rules changed again and again while the upload waited.'))
  }
  return again
}

/**
 * One bad run never fails its neighbours: where the data of a batch is refused, or a bug of ours was met in it, each run
 * is committed by itself, and one that fails alone is kept as raw bytes and answered 500. What was lost on the way is
 * tried once more.
 */
async function settleFailure(
  options: LaneOptions,
  lane: SiteLane,
  batch: readonly Job[],
  error: unknown,
  again: Job[],
): Promise<void> {
  const kind = failureOf(error)?.kind
  const open = batch.filter(({ isSettled }) => !isSettled)
  const isOfOneRun = kind === 'data' || kind === 'other' || (kind === undefined && !(error instanceof Problem))
  // What the database refused may have been decided by facts that have moved; each run reads them anew.
  if (isOfOneRun) lane.facts = undefined
  if (isOfOneRun && open.length > 1) {
    for (const job of open) again.push(...(await runBatch(options, lane, [job])))
    return
  }
  for (const job of open) {
    if (kind === 'lost' && !job.isRetried) {
      job.isRetried = true
      again.push(job)
      continue
    }
    if (isOfOneRun) await keepFailed(options, job, error)
    refuse(job, translated(error))
  }
}

async function keepFailed({ keepFailed: keep, log }: LaneOptions, { received }: Job, error: unknown): Promise<void> {
  try {
    await keep(received, error)
  } catch (cause) {
    log.error(
      { err: cause, runId: received.runId },
      'The bytes of an upload that could not be committed were not kept either.',
    )
  }
}
