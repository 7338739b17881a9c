import { setTimeout as wait } from 'node:timers/promises'
import { Connection } from './connection.ts'
import { quantile } from './figures.ts'
import type { LoadOrder, LoadReport } from './load-words.ts'
import { FIRST_NUMBER, Payload } from './payload.ts'

/** Runs over all orders of a process, so that no unit and no key is sent twice. */
let next = FIRST_NUMBER

/** What both kinds of load share: how one upload is sent, and what is counted. */
interface Sending {
  readonly latencies: number[]
  readonly answers: Record<number, number>
  one(connection: Connection, dueAt: number): Promise<void>
}

/** Sends the load that is ordered; everything of it is answered before it resolves. */
export async function makeLoad(order: LoadOrder): Promise<LoadReport> {
  const connections = await Promise.all(
    Array.from({ length: order.connections }, () => Connection.open(order.host, order.port)),
  )
  const sending = sendingOf(order)
  const beganAt = performance.now()
  try {
    if (order.perSecond === undefined) await closedLoop(sending, connections, beganAt + order.seconds * 1_000)
    else await openLoop(sending, connections, { ...order, perSecond: order.perSecond, beganAt })
    const seconds = (performance.now() - beganAt) / 1_000
    const { latencies, answers } = sending
    return {
      answers,
      perSecond: latencies.length / seconds,
      p50: quantile(latencies, 0.5),
      p99: quantile(latencies, 0.99),
    }
  } finally {
    for (const connection of connections) connection.close()
  }
}

function sendingOf({ host, path, token, wire }: LoadOrder): Sending {
  const payload = new Payload(wire)
  const head =
    `POST ${path} HTTP/1.1\r\nhost: ${host}\r\nauthorization: Bearer ${token}\r\n` +
    'content-type: application/json\r\n'
  const latencies: number[] = []
  const answers: Record<number, number> = {}
  return {
    latencies,
    answers,
    async one(connection, dueAt) {
      const number = next
      next += 1
      const status = await connection.send(head, payload.text(number, Date.now()))
      latencies.push(performance.now() - dueAt)
      answers[status] = (answers[status] ?? 0) + 1
    },
  }
}

async function closedLoop(sending: Sending, connections: readonly Connection[], until: number): Promise<void> {
  await Promise.all(
    connections.map(async (connection) => {
      for (let at = performance.now(); at < until; at = performance.now()) await sending.one(connection, at)
    }),
  )
}

/** A timer wakes at whole milliseconds at best; what fell due meanwhile is sent with its own instant. */
const WAKE_EVERY_MS = 1

async function openLoop(
  sending: Sending,
  connections: readonly Connection[],
  { perSecond, seconds, beganAt }: { readonly perSecond: number; readonly seconds: number; readonly beganAt: number },
): Promise<void> {
  const idle = [...connections]
  const due: number[] = []
  const open = new Set<Promise<void>>()
  let failure: unknown
  const pump = () => {
    while (due.length > 0 && idle.length > 0) {
      const connection = idle.pop()
      const dueAt = due.shift()
      if (connection === undefined || dueAt === undefined) return
      const sent = sending.one(connection, dueAt).then(
        () => {
          open.delete(sent)
          idle.push(connection)
          pump()
        },
        (error: unknown) => {
          open.delete(sent)
          failure ??= error
        },
      )
      open.add(sent)
    }
  }
  // Arrivals of independent stations: gaps are exponential.
  const gap = () => (-Math.log(1 - Math.random()) * 1_000) / perSecond
  const until = beganAt + seconds * 1_000
  for (let nextAt = beganAt + gap(); nextAt < until; ) {
    for (const now = performance.now(); nextAt <= now && nextAt < until; nextAt += gap()) due.push(nextAt)
    pump()
    await wait(WAKE_EVERY_MS)
  }
  while (open.size > 0) await Promise.race(open)
  if (failure !== undefined) throw failure
}
