import { hash } from 'node:crypto'
import { setImmediate as breathe } from 'node:timers/promises'
import { isKeyLive } from '../access/reads.ts'
import type { MachineActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import type { BatchBody, Batches } from '../intake/acts-batch.ts'
import { type Splitter, splitLines } from '../intake/split.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { ReceivedClock } from '../platform/clock.ts'
import { ensureMonths } from '../platform/database/partitions.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { shareGate } from '../platform/gate.ts'
import { Problem } from '../platform/problems.ts'
import type { CsvFault } from './faults.ts'
import { csvLimits } from './grid.ts'
import type { CsvProfile } from './profile.ts'
import { type FileRecord, type ProfileRecord, profileInEffect, refusedProblem } from './record.ts'
import { insertContent, insertFile, selectConfirmedProfiles } from './store.ts'
import { csvUploads } from './uploads.ts'

export interface FileServices {
  readonly database: Database
  readonly received: ReceivedClock
  readonly batches: Batches
}

/** What a sender says of a file beside its bytes. */
export interface FileSent {
  readonly station: string
  /** The number of the profile that it was written for, where the sender says so. */
  readonly profile: number | undefined
  /** The sender's clock when it began to send, milliseconds since the epoch. */
  readonly sentAt: number | undefined
  /** The encoding that its media type names, as WHATWG calls it. */
  readonly encoding: string | undefined
}

export interface Files {
  /**
   * Takes a file: all of it is read by the profile of its station in effect before a row of it counts. Its rows then are a
   * batch, whose id is that of the file. A file with a fault is kept, and nothing of it is an upload.
   * @throws Problem `file-refused`, `body-too-large`, `overloaded`, `stopping`, `key-invalid`
   */
  take(actor: MachineActor, sent: FileSent, body: BatchBody): Promise<BatchBegun>
}

type BatchBegun = Awaited<ReturnType<Batches['begin']>>

/** Files held at once, each whole: the sender of one more comes again. */
const FILES_MAX = 2
/** For a whole file to arrive. */
const ARRIVAL_MAX_MS = 120_000
/** Bytes kept of a file that is too long. */
const HEAD_MAX = 65_536
/** Others come to their turn so often while a file is read. */
const BREATH_MS = 10
/** Characters of JSON given to the batch at once. */
const PIECE_MIN = 65_536
const DAY_MS = 86_400_000

export function createFiles(services: FileServices): Files {
  let held = 0
  return {
    async take(actor, sent, body) {
      if (held >= FILES_MAX) {
        throw new Problem('overloaded', {
          detail: `${FILES_MAX} files are being read. Nothing was stored; send it again.`,
          headers: { 'retry-after': '5' },
        })
      }
      held += 1
      const release = () => {
        held -= 1
      }
      try {
        const taken = await takeFile(services, actor, sent, body)
        return { ...taken, done: taken.done.finally(release) }
      } catch (error) {
        release()
        throw error
      }
    },
  }
}

async function takeFile(
  services: FileServices,
  actor: MachineActor,
  sent: FileSent,
  body: BatchBody,
): Promise<BatchBegun> {
  const { database, received, batches } = services
  const arrivedAt = received.now()
  const { bytes, cut } = await gather(body)
  const profile = profileInEffect(await selectConfirmedProfiles(database.sql, sent.station), received.now())
  const read = cut ?? faultBefore(sent, profile) ?? (await readThrough(bytes, profile?.content))
  const file = {
    site: actor.site,
    station: sent.station,
    sender: actor.key,
    digest: `sha256:${hash('sha256', bytes)}`,
    length: bytes.length,
    profile: profile?.profile ?? null,
    profileDigest: profile?.digest ?? null,
  }
  if (typeof read !== 'number') {
    const receivedAt = received.now()
    const refused = { ...file, fileId: database.ids.mint(receivedAt), receivedAt, rows: null, fault: read }
    await keepFile(database, refused, bytes)
    throw refusedProblem(refused)
  }
  if (profile === undefined) throw new Error('a file was read by no profile')
  const rows = rowsBody(bytes, profile.content)
  const { batch, done } = await batches.begin(actor, rows, splitRows())
  try {
    const { batchId: fileId, receivedAt } = batch
    await keepFile(database, { ...file, fileId, receivedAt, rows: read, fault: null }, bytes)
  } catch (error) {
    rows.stop()
    await done
    throw error
  }
  // By the sender's clock as it stands when the batch begins, so that the time of reading is no skew; without one none shows.
  const elapsed = batch.receivedAt - arrivedAt
  rows.open(writeInstant(sent.sentAt === undefined ? batch.receivedAt : sent.sentAt + elapsed))
  return { batch, done }
}

/** All bytes of a body; `cut` where it is too long or broke off. */
async function gather(body: BatchBody): Promise<{ readonly bytes: Buffer; readonly cut?: CsvFault }> {
  const timer = setTimeout(() => body.stop(), ARRIVAL_MAX_MS)
  const parts: Buffer[] = []
  let length = 0
  try {
    for (let part = await body.next(); part !== undefined; part = await body.next()) {
      parts.push(part)
      length += part.length
      if (length > csvLimits.file) {
        body.stop()
        const head = Buffer.from(Buffer.concat(parts).subarray(0, HEAD_MAX))
        return { bytes: head, cut: { code: 'file-too-long', row: 1, offset: csvLimits.file } }
      }
    }
  } finally {
    clearTimeout(timer)
  }
  const bytes = Buffer.concat(parts)
  if (body.end?.reason === 'complete') return { bytes }
  return { bytes, cut: { code: 'file-cut', row: lineEndsIn(bytes) + 1, offset: bytes.length } }
}

function lineEndsIn(bytes: Buffer): number {
  let count = 0
  for (let at = bytes.indexOf(10); at >= 0; at = bytes.indexOf(10, at + 1)) count += 1
  return count
}

/** What is wrong before a byte of the file is looked at. */
function faultBefore(sent: FileSent, profile: ProfileRecord | undefined): CsvFault | undefined {
  const at = { row: 1, offset: 0 }
  if (profile === undefined) return { code: 'profile-missing', ...at }
  if (sent.profile !== undefined && sent.profile !== profile.profile) return { code: 'profile-not-current', ...at }
  const isOther = sent.encoding !== undefined && sent.encoding !== profile.content.encoding
  return isOther ? { code: 'encoding-wrong', ...at } : undefined
}

/** The number of rows behind the header, or the first fault. Nothing is kept of what was read, so a file costs its bytes. */
async function readThrough(bytes: Buffer, profile: CsvProfile | undefined): Promise<number | CsvFault> {
  if (profile === undefined) throw new Error('a file cannot be read without a profile')
  const read = csvUploads(bytes, profile)
  let rows = 0
  for (let since = performance.now(); ; rows += 1) {
    const next = read.next()
    if (next.done === true) return next.value ?? rows
    if (performance.now() - since < BREATH_MS) continue
    await breathe()
    since = performance.now()
  }
}

/** The rows of a file that was read through, as lines of NDJSON; none before it is opened. */
interface RowsBody extends BatchBody {
  open(sentAt: string): void
}

function rowsBody(bytes: Buffer, profile: CsvProfile): RowsBody {
  const read = csvUploads(bytes, profile)
  let stamp = ''
  let end: BatchBody['end']
  let wake = () => {}
  const opened = new Promise<void>((resolve) => {
    wake = resolve
  })
  return {
    get end() {
      return end
    },
    async next() {
      await opened
      const lines: string[] = []
      for (let length = 0; end === undefined && length < PIECE_MIN; ) {
        const next = read.next()
        if (next.done === true) {
          if (next.value !== undefined) throw new Error(`a file that was read through has ${next.value.code}`)
          end = { reason: 'complete', detail: null }
          break
        }
        const line = `${JSON.stringify({ sentAt: stamp, ...next.value.upload })}\n`
        length += line.length
        lines.push(line)
      }
      return lines.length === 0 ? undefined : Buffer.from(lines.join(''), 'utf8')
    },
    stop() {
      end ??= { reason: 'interrupted', detail: null }
      wake()
    },
    open(sentAt) {
      stamp = sentAt
      wake()
    },
  }
}

/** Lines that are called by the rows of their file: the header is row 1, and no line stands for it. */
function splitRows(): Splitter {
  const lines = splitLines()
  function* shifted(pieces: ReturnType<Splitter['feed']>): ReturnType<Splitter['feed']> {
    for (const piece of pieces) yield { ...piece, line: piece.line + 1 }
  }
  return {
    get fault() {
      return lines.fault
    },
    feed: (chunk) => shifted(lines.feed(chunk)),
    end: () => shifted(lines.end()),
  }
}

/**
 * Keeps a file. The bytes go first, past the gate, so that no act waits for them: without a row of a file they say nothing.
 * That row and the ledger entry are one transaction, under its site's share of the gate: a file that is taken was read by
 * the profile in effect at its commit, so each either came before a withdrawal or saw it.
 */
async function keepFile(database: Database, file: FileRecord, bytes: Buffer): Promise<void> {
  const { site, station, sender, fileId, receivedAt, fault } = file
  if (!(await isKeyLive(database.sql, sender))) throw new Problem('key-invalid')
  await insertContent(database.sql, file, bytes)
  await ensureMonths(database, [receivedAt - DAY_MS, receivedAt, receivedAt + DAY_MS], ['ledger_entries'])
  await inTransaction(database, async (sql) => {
    const share = await shareGate(sql, database.clock, site)
    if (share === undefined) throw new Error(`site ${site} has no row in the gate`)
    if (!(await isKeyLive(sql, sender))) throw new Problem('key-invalid')
    if (fault === null) {
      const current = profileInEffect(await selectConfirmedProfiles(sql, station), share.at)
      if (current?.digest !== file.profileDigest) {
        throw new Problem('overloaded', {
          detail: 'The profile of the station changed while the file was read. Nothing was stored; send it again.',
          headers: { 'retry-after': '1' },
        })
      }
    }
    await insertFile(sql, file)
    const { digest, length, profile, profileDigest, rows } = file
    const facts = { site, station, digest, length, profile, profileDigest, ...(fault === null ? { rows } : { fault }) }
    await recordEntry(
      { sql, ids: database.ids, at: share.at, key: sender },
      { action: 'uploadFile', by: sender, subject: `files/${fileId}`, facts },
    )
  })
}
