import type { IncomingMessage } from 'node:http'
import { createGunzip } from 'node:zlib'

/** A sender that says nothing for so long has gone. */
const IDLE_MS = 30_000
/** Bytes held of a request whose reader is slower than its sender; then the sender waits. */
const HELD_MAX = 262_144
/** Compressed bytes are inflated so many at a time: at the most that deflate can, they become 4 MB. */
const SLICE = 4_096
/** What inflates to more than this, and to so many times its length, is padding made to hurt. */
const INFLATED_FREE = 67_108_864
const INFLATED_RATIO_MAX = 200
/** Of a request that is answered before it has ended, so much is read and thrown away, lest the sender never read. */
const DISCARDED_MAX = 67_108_864
const DISCARD_FOR_MS = 30_000

/** A body as it comes. */
export interface RequestBody {
  /** The next bytes; undefined where nothing more comes, and `end` then says why. */
  next(): Promise<Buffer | undefined>
  readonly end: BodyEnd | undefined
  /** Nothing more is wanted. A `next` that waits gets undefined. */
  stop(): void
  /** Throws the rest away, where the sender goes on although nothing more is taken. */
  discard(): void
}

export interface BodyEnd {
  readonly reason: 'complete' | 'client-gone' | 'idle' | 'stream-broken' | 'interrupted'
  readonly detail: string | null
}

/** The body of a request, inflated where it says that it is gzip. */
export function bodyOf(raw: IncomingMessage): RequestBody {
  const isGzip = (raw.headers['content-encoding'] ?? '').toLowerCase() === 'gzip'
  const plain = openBody(raw)
  return isGzip ? inflated(plain) : plain
}

/**
 * The body of a request, read as it comes and no faster than it is taken. It ends idle where no byte comes for 30 s.
 * What had arrived when the sender went is still given.
 */
function openBody(raw: IncomingMessage): RequestBody {
  const chunks: Buffer[] = []
  let held = 0
  let end: BodyEnd | undefined
  let wake = () => {}
  const finish = (reason: BodyEnd['reason']) => {
    end ??= { reason, detail: null }
    wake()
  }
  const arrive = (chunk: Buffer) => {
    if (end !== undefined) return
    chunks.push(chunk)
    held += chunk.length
    if (held > HELD_MAX) raw.pause()
    wake()
  }
  const gone = () => {
    // Node throws away what it still holds of a broken request; these are bytes that did arrive.
    for (let rest: Buffer | null = raw.read(); rest !== null; rest = raw.read()) arrive(rest)
    finish('client-gone')
  }
  raw.on('data', arrive)
  raw.once('end', () => finish('complete'))
  raw.once('aborted', gone)
  raw.once('error', () => finish('client-gone'))
  raw.once('close', () => finish('client-gone'))

  const arrival = () =>
    new Promise<void>((resolve) => {
      const timer = setTimeout(() => finish('idle'), IDLE_MS)
      wake = () => {
        clearTimeout(timer)
        wake = () => {}
        resolve()
      }
    })

  return {
    get end() {
      return end
    },
    async next() {
      for (;;) {
        const chunk = chunks.shift()
        if (chunk !== undefined) {
          held -= chunk.length
          if (held <= HELD_MAX / 2 && end === undefined) raw.resume()
          return chunk
        }
        if (end !== undefined) return undefined
        await arrival()
      }
    },
    stop() {
      chunks.length = 0
      held = 0
      finish('interrupted')
    },
    discard() {
      if (raw.complete || raw.destroyed) return
      let discarded = 0
      const timer = setTimeout(() => raw.destroy(), DISCARD_FOR_MS)
      raw.once('close', () => clearTimeout(timer))
      raw.once('end', () => clearTimeout(timer))
      raw.on('data', (chunk: Buffer) => {
        discarded += chunk.length
        if (discarded > DISCARDED_MAX) raw.destroy()
      })
      raw.resume()
    },
  }
}

/**
 * A body of gzip (RFC 1952), inflated a little at a time, so that no more than a few megabytes are ever held. What was
 * inflated before a break is still given.
 */
function inflated(body: RequestBody): RequestBody {
  const gunzip = createGunzip()
  const out: Buffer[] = []
  let taken = 0
  let given = 0
  let rest: Buffer = Buffer.alloc(0)
  let end: BodyEnd | undefined
  let hasEnded = false
  const breakOff = (detail: string) => {
    end ??= { reason: 'stream-broken', detail }
  }
  gunzip.on('data', (piece: Buffer) => {
    given += piece.length
    out.push(piece)
  })
  gunzip.on('error', (error) => breakOff(`The body is not whole gzip: ${error.message}.`))
  gunzip.on('end', () => {
    hasEnded = true
  })
  const write = (slice: Buffer) =>
    new Promise<void>((resolve) => {
      taken += slice.length
      gunzip.once('close', resolve)
      gunzip.write(slice, () => {
        gunzip.off('close', resolve)
        resolve()
      })
    })
  const close = () =>
    new Promise<void>((resolve) => {
      if (gunzip.closed || hasEnded) {
        resolve()
        return
      }
      gunzip.once('close', resolve)
      gunzip.once('end', resolve)
      gunzip.end()
    })
  /** Inflates some more; what comes of it is in `out`, or `end` says why nothing more will. */
  const inflateMore = async (): Promise<void> => {
    if (rest.length > 0) {
      if (hasEnded) {
        breakOff('Bytes follow the end of the gzip.')
        return
      }
      const slice = rest.subarray(0, SLICE)
      rest = rest.subarray(slice.length)
      await write(slice)
      if (given > INFLATED_FREE && given > taken * INFLATED_RATIO_MAX) {
        breakOff(`The body inflates to more than ${INFLATED_RATIO_MAX} times its length.`)
      }
      return
    }
    const chunk = await body.next()
    if (chunk !== undefined) {
      rest = chunk
      return
    }
    if (body.end?.reason === 'complete') {
      await close()
      // Node passes over what follows the last member without a word.
      if (end === undefined && gunzip.bytesWritten < taken) breakOff('Bytes follow the end of the gzip.')
    }
    end ??= body.end ?? { reason: 'interrupted', detail: null }
  }
  return {
    get end() {
      return out.length > 0 ? undefined : end
    },
    async next() {
      for (;;) {
        const piece = out.shift()
        if (piece !== undefined) return piece
        if (end !== undefined) {
          gunzip.destroy()
          return undefined
        }
        await inflateMore()
      }
    },
    stop() {
      out.length = 0
      rest = Buffer.alloc(0)
      body.stop()
      end ??= { reason: 'interrupted', detail: null }
      gunzip.destroy()
    },
    discard: () => body.discard(),
  }
}
