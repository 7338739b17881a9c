import { emptyFacts, type Fact, type FactKey, type Facts, forget, missingNeeds, withFacts } from '../judging/facts.ts'
import { failureOf, translated } from '../platform/database/transaction.ts'
import type { Ids } from '../platform/ids.ts'
import type { Log } from '../platform/log.ts'
import { Problem } from '../platform/problems.ts'
import { type CommitResult, commitUploads, type Entrant } from './acts-commit.ts'
import { decideReceived, needsOfReceived, type Received } from './decided.ts'
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
  submit(received: Received): Promise<Exclude<CommitResult, { kind: 'unchecked' | 'key-revoked' }>>
  /** Waits until nothing is queued or in flight. New uploads are no longer taken. */
  drain(): Promise<void>
}

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
const IN_FLIGHT_PER_SITE = 2
const IN_FLIGHT_TOTAL = 4
const WAIT_MAX_MS = 2_000
const ROUNDS_MAX = 3
/** Facts of one site beyond this many are dropped whole and read again at need, so that memory stays bounded. */
const FACTS_MAX = 20_000

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
  readonly resolve: (result: Exclude<CommitResult, { kind: 'unchecked' | 'key-revoked' }>) => void
  readonly reject: (error: unknown) => void
}

interface SiteLane {
  readonly site: string
  queue: Job[]
  inFlight: number
  /** By which uploads are decided; undefined where the next one must read them. */
  facts: Facts | undefined
  /** Of the database that the facts were read from. */
  epoch: number
}

export function createLane(options: LaneOptions): Lane {
  const lanes = new Map<string, SiteLane>()
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
        if (lane.queue.length === 0 || lane.inFlight >= IN_FLIGHT_PER_SITE || inFlight >= IN_FLIGHT_TOTAL) continue
        lanes.delete(lane.site)
        lanes.set(lane.site, lane)
        start(lane, takeBatch(lane))
        isMoving = true
      }
    }
    if (inFlight === 0 && queuedRuns === 0) for (const resolve of drained.splice(0)) resolve()
  }

  const takeBatch = (lane: SiteLane): Job[] => {
    let bytes = 0
    let count = 0
    for (const job of lane.queue) {
      if (count > 0 && (count >= BATCH_RUNS_MAX || bytes + job.received.raw.length > BATCH_BYTES_MAX)) break
      bytes += job.received.raw.length
      count += 1
    }
    const batch = lane.queue.splice(0, count)
    for (const job of batch) leave(job)
    return batch
  }

  const enter = (lane: SiteLane, job: Job) => {
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
    clearTimeout(job.timer)
    queuedRuns -= 1
    queuedBytes -= job.received.raw.length
  }

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
      if (isDraining) return Promise.reject(new Problem('stopping', { headers: { 'retry-after': '5' } }))
      if (queuedRuns >= RUNS_MAX || queuedBytes + received.raw.length > BYTES_MAX) {
        return Promise.reject(busy('The queue for uploads is full.'))
      }
      const { site } = received.actor
      const lane = lanes.get(site) ?? { site, queue: [], inFlight: 0, facts: undefined, epoch: 0 }
      lanes.set(site, lane)
      return new Promise((resolve, reject) => {
        enter(lane, { received, rounds: 0, isRetried: false, isSettled: false, timer: undefined, resolve, reject })
        pump()
      })
    },
    drain() {
      isDraining = true
      return new Promise((resolve) => {
        drained.push(resolve)
        pump()
      })
    },
  }
}

function answer(job: Job, result: Exclude<CommitResult, { kind: 'unchecked' | 'key-revoked' }>): void {
  job.isSettled = true
  job.resolve(result)
}

function refuse(job: Job, error: unknown): void {
  job.isSettled = true
  job.reject(error)
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

interface DecidedBatch {
  readonly facts: Facts
  readonly epoch: number
  readonly entrants: readonly Entrant[]
}

/** Loads what is missing and decides each upload outside any transaction that others wait for. */
async function decideBatch(options: LaneOptions, lane: SiteLane, batch: readonly Job[]): Promise<DecidedBatch> {
  const { port } = options
  const needs = batch.flatMap(({ received }) => needsOfReceived(received))
  const known = knownFacts(options, lane)
  const facts = known && missingNeeds(known, needs).length === 0 ? known : await loadLaneFacts(options, lane, needs)
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

/** The facts kept, if the database is still the one that they were read from. */
function knownFacts({ port }: LaneOptions, lane: SiteLane): Facts | undefined {
  return lane.epoch === port.epoch() ? lane.facts : undefined
}

async function loadLaneFacts(options: LaneOptions, lane: SiteLane, needs: readonly FactKey[]): Promise<Facts> {
  const { port } = options
  return await port.inCommit(async (commit) => {
    const share = await commit.shareGate(lane.site)
    if (share === undefined) throw new Error(`site ${lane.site} has no row in the gate`)
    // Asked on the connection that reads, so that facts and epoch are of one database.
    const epoch = port.epoch()
    const known = knownFacts(options, lane)
    const isKept = known !== undefined && known.version <= share.version && known.entries.size <= FACTS_MAX
    const start = !isKept
      ? emptyFacts(lane.site, share)
      : known.version === share.version
        ? known
        : forget(known, await commit.changesSince(lane.site, known.version), share)
    const facts = await commit.loadFacts(start, needs)
    // A gate that stands before what is known has lost acts: what is known is of no history any more.
    if (!isKept) lane.facts = undefined
    keepFacts(lane, facts, epoch)
    return facts
  })
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

/**
 * Keeps the newer facts; of two of one version, all entries of both. A revision without its check is never kept: a check
 * raises no version of the gate, so that its absence could not be forgotten.
 */
function keepFacts(lane: SiteLane, facts: Facts, epoch: number): void {
  const known = lane.epoch === epoch ? lane.facts : undefined
  if (known === facts || (known !== undefined && known.version > facts.version)) return
  const lasting = [...facts.entries].filter(([, fact]) => fact?.kind !== 'revision' || fact.check !== null)
  const start = known?.version === facts.version ? known : { ...facts, entries: new Map<FactKey, Fact | null>() }
  lane.facts = withFacts(start, lasting)
  lane.epoch = epoch
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
