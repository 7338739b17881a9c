import { setTimeout as wait } from 'node:timers/promises'
import type { MachineActor } from '../access/words.ts'
import type { ReceivedClock } from '../platform/clock.ts'
import type { Database } from '../platform/database/pool.ts'
import { translated } from '../platform/database/transaction.ts'
import type { RequestBody } from '../platform/http/body.ts'
import type { Log } from '../platform/log.ts'
import { Problem } from '../platform/problems.ts'
import type { Lane } from './acts-lane.ts'
import type { BatchReason } from './batch-words.ts'
import type { Received } from './decided.ts'
import type { UploadRow } from './port.ts'
import { readUpload } from './read-upload.ts'
import { keptRow } from './rows.ts'
import { type Piece, type Splitter, splitLimits } from './split.ts'
import { keepUploads } from './store.ts'
import { type BatchRow, insertBatch, insertBatchEnd } from './store-batch.ts'
import type { LineFault } from './stored.ts'

/** The bytes of a batch as they come, inflated where they came compressed. */
export type BatchBody = Omit<RequestBody, 'discard'>

export interface Batches {
  /**
   * Begins a batch, and takes its lines while they come. `done` never fails; it is over when the batch has its end.
   * @throws Problem `overloaded` where too many batches are coming in, `stopping`, `key-invalid`
   */
  begin(
    actor: MachineActor,
    body: BatchBody,
    splitter: Splitter,
  ): Promise<{ readonly batch: BatchRow; readonly done: Promise<void> }>
  /** Stops those that are coming in: what is read is committed, the rest has no answer. New ones are refused. */
  drain(): Promise<void>
}

export interface BatchOptions {
  readonly database: Database
  readonly received: ReceivedClock
  readonly log: Log
  readonly lane: Lane
  readonly isLive: (actor: MachineActor) => Promise<boolean>
}

const BATCHES_MAX = 4
const CHUNK_LINES_MAX = 500
const CHUNK_BYTES_MAX = 1_048_576
/** A batch is an outage's worth of runs; a stream of millions of tiny lines is something else. */
const LINES_MAX = 1_000_000
/** How long a chunk is tried again where the service is overloaded. */
const RETRY_FOR_MS = 30_000
const RETRY_WAIT_MAX_MS = 1_000
/** How long a chunk waits for more. */
const LINGER_MS = 200

export function createBatches(options: BatchOptions): Batches {
  const { database, received, log } = options
  const coming = new Map<BatchBody, Promise<void>>()
  let isDraining = false
  return {
    async begin(actor, body, splitter) {
      if (isDraining) throw new Problem('stopping', { headers: { 'retry-after': '5' } })
      if (coming.size >= BATCHES_MAX) {
        throw new Problem('overloaded', {
          detail: `${BATCHES_MAX} batches are coming in. Nothing was stored; send it again.`,
          headers: { 'retry-after': '5' },
        })
      }
      const { promise, resolve } = withResolver()
      coming.set(body, promise)
      const finish = () => {
        coming.delete(body)
        resolve()
      }
      try {
        if (!(await options.isLive(actor))) throw new Problem('key-invalid')
        const receivedAt = received.now()
        const batch = { site: actor.site, batchId: database.ids.mint(receivedAt), receivedAt, sender: actor.key }
        await insertBatch(database, batch)
        const done = takeBatch(options, actor, batch, body, splitter)
          .catch((error: unknown) => {
            log.error({ err: error, batchId: batch.batchId }, 'The end of a batch could not be written.')
          })
          .finally(finish)
        return { batch, done }
      } catch (error) {
        finish()
        throw error
      }
    },
    async drain() {
      isDraining = true
      for (const body of coming.keys()) body.stop()
      await Promise.all(coming.values())
    },
  }
}

function withResolver(): { promise: Promise<void>; resolve: () => void } {
  let resolve: () => void = () => undefined
  const promise = new Promise<void>((settle) => {
    resolve = settle
  })
  return { promise, resolve }
}

/** Lines that are committed together, and those that could not be read. */
interface Chunk {
  readonly uploads: Received[]
  readonly kept: UploadRow[]
  bytes: number
  /** The number of its last line. */
  last: number
}

interface BatchStop {
  readonly reason: BatchReason
  readonly detail: string | null
}

/** Reads the next chunk while the last one commits, and writes how the batch ended. */
async function takeBatch(
  options: BatchOptions,
  actor: MachineActor,
  batch: BatchRow,
  body: BatchBody,
  splitter: Splitter,
): Promise<void> {
  const { database, received, log } = options
  let lines = 0
  let stop: BatchStop | undefined
  let committing: Promise<BatchStop | undefined> = Promise.resolve(undefined)
  const commit = async (chunk: Chunk): Promise<BatchStop | undefined> => {
    const failed = await commitChunk(options, actor, chunk)
    // The reader may be waiting for bytes that will not be taken any more.
    if (failed !== undefined) body.stop()
    return failed
  }
  try {
    for await (const chunk of chunksOf(options, actor, batch, body, splitter)) {
      stop = await committing
      if (stop !== undefined) break
      lines = chunk.last
      committing = commit(chunk)
    }
    stop ??= (await committing) ?? endOf(body, splitter, lines)
  } catch (error) {
    log.error({ err: error, batchId: batch.batchId }, 'A batch could not be read on.')
    stop = (await committing) ?? { reason: 'interrupted', detail: null }
  }
  body.stop()
  await patiently(() => insertBatchEnd(database, batch, { endedAt: received.now(), lines, ...stop }))
}

function endOf(body: BatchBody, splitter: Splitter, lines: number): BatchStop {
  if (lines >= LINES_MAX) {
    return { reason: 'stream-broken', detail: `A batch has ${LINES_MAX} lines at most; send the rest as another.` }
  }
  if (splitter.fault !== undefined) return { reason: 'stream-broken', detail: FAULT_TEXT[splitter.fault] }
  return body.end ?? { reason: 'interrupted', detail: null }
}

const FAULT_TEXT = {
  'not-an-array': 'The body is application/json, but not an array of uploads.',
  'array-broken': 'What stands between two elements of the array, or after it, is not JSON.',
  'stream-padded': 'More than 64 MiB were blanks, or the rest of one line.',
} as const

async function* chunksOf(
  { received, database }: BatchOptions,
  actor: MachineActor,
  batch: BatchRow,
  body: BatchBody,
  splitter: Splitter,
): AsyncGenerator<Chunk> {
  let chunk: Chunk = { uploads: [], kept: [], bytes: 0, last: 0 }
  const add = (piece: Piece) => {
    const receivedAt = Math.max(received.now(), batch.receivedAt)
    const runId = database.ids.mint(receivedAt)
    const raw = piece.kind === 'upload' ? piece.bytes : piece.head
    const line = { batchId: batch.batchId, line: piece.line, arrivingFrom: batch.receivedAt }
    const stamped = { actor, raw, receivedAt, runId, batch: line }
    const read = readPiece(piece)
    if ('fault' in read) {
      chunk.kept.push(keptRow(stamped, { outcome: 'unreadable', ...read }))
    } else {
      chunk.uploads.push({ ...stamped, read })
    }
    chunk.bytes += raw.length
    chunk.last = piece.line
  }
  const isFull = () => chunk.uploads.length + chunk.kept.length >= CHUNK_LINES_MAX || chunk.bytes >= CHUNK_BYTES_MAX
  const cut = (): Chunk => {
    const full = chunk
    chunk = { uploads: [], kept: [], bytes: 0, last: full.last }
    return full
  }
  for (;;) {
    const coming = body.next()
    // A sender that pauses must not keep what it has sent from being taken.
    if (chunk.uploads.length + chunk.kept.length > 0 && !(await comesWithin(coming, LINGER_MS))) yield cut()
    const bytes = await coming
    // A stream that broke off has no last line: what stands behind the last line end was cut.
    const pieces = bytes !== undefined ? splitter.feed(bytes) : body.end?.reason === 'complete' ? splitter.end() : []
    for (const piece of pieces) {
      add(piece)
      if (isFull()) yield cut()
      if (piece.line >= LINES_MAX) break
    }
    if (bytes === undefined || splitter.fault !== undefined || chunk.last >= LINES_MAX) break
  }
  if (chunk.uploads.length + chunk.kept.length > 0) yield cut()
}

function comesWithin(coming: Promise<unknown>, ms: number): Promise<boolean> {
  return Promise.race([coming.then(() => true), wait(ms, false, { ref: false })])
}

function readPiece(piece: Piece): Received['read'] | { readonly status: number; readonly fault: LineFault } {
  if (piece.kind === 'too-long') {
    const { length, digest } = piece
    const message = `The line has ${length} bytes; an upload has ${splitLimits.pieceMax} at most.`
    return { status: 413, fault: { code: 'line-too-long', offset: splitLimits.pieceMax, message, length, digest } }
  }
  const read = readUpload(piece.bytes)
  if (read.kind !== 'unreadable') return read
  const { code, offset, message } = read
  return { status: 400, fault: { code, offset, message } }
}

/** Commits one chunk, whatever it takes; gives what keeps the batch from going on. Never throws. */
async function commitChunk(
  options: BatchOptions,
  actor: MachineActor,
  { uploads, kept }: Chunk,
): Promise<BatchStop | undefined> {
  try {
    if (kept.length > 0) {
      // Past the gate, so the key is looked at here.
      if (!(await patiently(() => options.isLive(actor)))) return { reason: 'key-revoked', detail: null }
      await patiently(() => keepUploads(options.database, kept))
    }
    for (const wave of wavesOf(uploads)) {
      const stop = await commitWave(options, wave)
      if (stop !== undefined) return stop
    }
    return undefined
  } catch (error) {
    options.log.error({ err: error }, 'Lines of a batch could not be kept.')
    return { reason: 'interrupted', detail: null }
  }
}

/**
 * The first line of each upload key, then all others: two commits may be in flight at once, and the line that comes
 * first is to be the first under its key.
 */
function wavesOf(uploads: readonly Received[]): Received[][] {
  const seen = new Set<string>()
  const first: Received[] = []
  const later: Received[] = []
  for (const upload of uploads) {
    const { station, uploadKey } = upload.read.claim
    const name = `${station}\n${uploadKey}`
    if (uploadKey !== undefined && seen.has(name)) later.push(upload)
    else first.push(upload)
    seen.add(name)
  }
  return later.length === 0 ? [first] : [first, later]
}

async function commitWave({ lane }: BatchOptions, wave: readonly Received[]): Promise<BatchStop | undefined> {
  let open = wave
  const until = performance.now() + RETRY_FOR_MS
  for (let tries = 0; open.length > 0; tries += 1) {
    const results = await lane.submitAll(open, tries > 0)
    const again: Received[] = []
    let stop: BatchStop | undefined
    for (const [index, result] of results.entries()) {
      const upload = open[index]
      if (result.status === 'fulfilled' || upload === undefined) continue
      const key = result.reason instanceof Problem ? result.reason.key : undefined
      if (key === 'key-invalid') stop = { reason: 'key-revoked', detail: null }
      else if (key === 'stopping') stop ??= { reason: 'interrupted', detail: 'The service is stopping.' }
      else if (key === 'overloaded') again.push(upload)
      // All else failed alone: the lane has kept its bytes with its line, and told the log.
    }
    if (stop !== undefined) return stop
    if (again.length > 0 && performance.now() > until) {
      return { reason: 'interrupted', detail: 'The service was overloaded for too long.' }
    }
    if (again.length > 0) await wait(delayOf(tries))
    open = again
  }
  return undefined
}

/** Runs a statement again where it cannot be served now, for as long as a chunk is tried. */
async function patiently<T>(work: () => Promise<T>): Promise<T> {
  const until = performance.now() + RETRY_FOR_MS
  for (let tries = 0; ; tries += 1) {
    try {
      return await work()
    } catch (error) {
      const problem = translated(error)
      if (!(problem instanceof Problem && problem.key === 'overloaded') || performance.now() > until) throw problem
      await wait(delayOf(tries))
    }
  }
}

function delayOf(tries: number): number {
  return Math.min(RETRY_WAIT_MAX_MS, 50 * 2 ** tries)
}
