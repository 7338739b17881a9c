import { setTimeout as wait } from 'node:timers/promises'
import pg from 'pg'
import type { Log } from '../log.ts'

export interface ListenOptions {
  /** A direct connection: LISTEN does not work through a transaction-pooling proxy. */
  readonly url: string
  readonly channel: string
  readonly log: Log
  /**
   * Called with the payload of each notification, and with `undefined` once after each connect: whatever was notified
   * in between was lost, so the caller must look for itself. Must not throw.
   */
  onNotice(payload: string | undefined): void
}

export interface Listener {
  stop(): Promise<void>
}

const RECONNECT_FIRST_MS = 100
const RECONNECT_MAX_MS = 5_000
/** A connection that a firewall has dropped says nothing; a question now and then finds out. */
const QUESTION_EVERY_MS = 15_000

/** Listens on a client of its own, outside the pool, and reconnects for as long as it takes. Returns at once. */
export function listen(options: ListenOptions): Listener {
  const stopping = new AbortController()
  const ended = keepListening(options, stopping.signal)
  return {
    async stop() {
      stopping.abort()
      await ended
    },
  }
}

async function keepListening(options: ListenOptions, signal: AbortSignal): Promise<void> {
  let delayMs = RECONNECT_FIRST_MS
  while (!signal.aborted) {
    try {
      await listenOnce(options, signal, () => {
        delayMs = RECONNECT_FIRST_MS
      })
    } catch (error) {
      options.log.warn({ err: error, channel: options.channel }, 'The listening connection was lost; connecting again.')
    }
    await wait(delayMs, undefined, { signal, ref: false }).catch(() => undefined)
    delayMs = Math.min(delayMs * 2, RECONNECT_MAX_MS)
  }
}

/** One connection's life: resolves when told to stop, rejects when the connection is lost. */
async function listenOnce(options: ListenOptions, signal: AbortSignal, onConnected: () => void): Promise<void> {
  const client = new pg.Client({
    connectionString: options.url,
    application_name: 'limitkeep listen',
    connectionTimeoutMillis: 5_000,
    query_timeout: 5_000,
    keepAlive: true,
  })
  let onAbort: () => void = () => undefined
  const over = new Promise<void>((resolve, reject) => {
    client.once('error', reject)
    client.once('end', () => reject(new Error('the server closed the connection')))
    onAbort = resolve
    signal.addEventListener('abort', onAbort)
    if (signal.aborted) resolve()
  })
  // Heard below; until then a loss while connecting must not count as unhandled.
  over.catch(() => undefined)
  let question: NodeJS.Timeout | undefined
  try {
    await client.connect()
    client.on('notification', (notice) => options.onNotice(notice.payload ?? ''))
    await client.query(`LISTEN ${pg.escapeIdentifier(options.channel)}`)
    onConnected()
    options.onNotice(undefined)
    const unanswered = new Promise<never>((_, reject) => {
      question = setInterval(() => client.query('SELECT 1').catch(reject), QUESTION_EVERY_MS).unref()
    })
    await Promise.race([over, unanswered])
  } finally {
    clearInterval(question)
    signal.removeEventListener('abort', onAbort)
    await client.end().catch(() => undefined)
  }
}
