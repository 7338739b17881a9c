import { once } from 'node:events'
import { connect, type Socket } from 'node:net'
import { BatchLineWire } from '../../src/intake/batch-words.ts'
import type { Wire } from '../support/line.ts'

/** Batches over a real socket, byte by byte where a test wants it so. */

export interface Sending {
  readonly type?: string
  readonly gzip?: boolean
  readonly token?: string | undefined
}

/** Opens a connection and sends the head of a batch; its body goes chunked, so that it may end at any time. */
export async function openBatch(port: number, { type = 'application/x-ndjson', gzip = false, token }: Sending) {
  const socket = connect(port, '127.0.0.1')
  await once(socket, 'connect')
  socket.on('error', () => undefined)
  socket.pause()
  const head = ['POST /v1/runs/batch HTTP/1.1', 'Host: test', `Authorization: Bearer ${token}`, `Content-Type: ${type}`]
  if (gzip) head.push('Content-Encoding: gzip')
  socket.write(`${head.join('\r\n')}\r\nConnection: close\r\nTransfer-Encoding: chunked\r\n\r\n`)
  return socket
}

/** Sends a piece of the body; over when the kernel has taken it. */
export function push(socket: Socket, bytes: Buffer | string): Promise<void> {
  const data = Buffer.from(bytes)
  return new Promise((resolve) => {
    if (data.length === 0) return resolve()
    socket.write(`${data.length.toString(16)}\r\n`)
    socket.write(data)
    socket.write('\r\n', () => resolve())
  })
}

export interface Read {
  readonly status: number
  readonly location: string
  /** Seconds, of Retry-After. */
  readonly retryAfter: string | undefined
  readonly lines: Wire[]
}

/** Reads all that is answered, and checks each line against the published schema. */
export async function read(socket: Socket): Promise<Read> {
  const parts: Buffer[] = []
  socket.on('data', (part: Buffer) => parts.push(part))
  socket.resume()
  if (!socket.closed) await once(socket, 'close')
  const bytes = Buffer.concat(parts)
  const headEnd = bytes.indexOf('\r\n\r\n')
  const head = bytes.subarray(0, headEnd).toString('latin1')
  const body = /transfer-encoding: chunked/i.test(head) ? unchunked(bytes, headEnd + 4) : bytes.subarray(headEnd + 4)
  const lines = body.toString('utf8').trim()
  const read: Read = {
    status: Number(head.split(' ')[1]),
    location: /^location: (\S+)/im.exec(head)?.[1] ?? '',
    retryAfter: /^retry-after: (\S+)/im.exec(head)?.[1],
    lines: lines === '' ? [] : lines.split('\n').map((one) => JSON.parse(one)),
  }
  if (read.status === 200) for (const one of read.lines) BatchLineWire.parse(one)
  return read
}

function unchunked(bytes: Buffer, from: number): Buffer {
  const parts: Buffer[] = []
  for (let at = from; ; ) {
    const lineEnd = bytes.indexOf('\r\n', at)
    const length = Number.parseInt(bytes.subarray(at, lineEnd).toString('latin1'), 16)
    if (!(length > 0)) return Buffer.concat(parts)
    parts.push(bytes.subarray(lineEnd + 2, lineEnd + 2 + length))
    at = lineEnd + 2 + length + 2
  }
}

export const ndjson = (uploads: readonly unknown[]) =>
  uploads.map((one) => (typeof one === 'string' ? one : JSON.stringify(one))).join('\n')
