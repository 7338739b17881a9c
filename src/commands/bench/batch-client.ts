import { request } from 'node:http'
import { FIRST_NUMBER, type Payload } from './payload.ts'

/** How a batch came back. */
export interface BatchReport {
  readonly batchId: string
  readonly seconds: number
  /** Lines by their status. */
  readonly statuses: Readonly<Record<string, number>>
}

/** Written at once; the stream's own buffer is small. */
const LINES_AT_ONCE = 200
const STATUS = /"status":(\d+)/

/**
 * Sends lines as one NDJSON batch, as fast as they are taken, and reads the answer after the last of them.
 * @param first of the numbers of the uploads, which must not be used twice in one service
 */
export async function sendBatch(
  { port, token }: { readonly port: number; readonly token: string },
  payload: Payload,
  { first, count }: { readonly first: number; readonly count: number },
): Promise<BatchReport> {
  const beganAt = performance.now()
  const sending = request({
    host: '127.0.0.1',
    port,
    path: '/v1/runs/batch',
    method: 'POST',
    headers: { authorization: `Bearer ${token}`, 'content-type': 'application/x-ndjson' },
  })
  const answered = new Promise<BatchReport>((resolve, reject) => {
    sending.once('error', reject)
    sending.once('response', (response) => {
      const statuses: Record<string, number> = {}
      const batchId = response.headers.location?.split('/').at(-2) ?? ''
      let rest = ''
      response.setEncoding('utf8')
      response.on('data', (chunk: string) => {
        const lines = (rest + chunk).split('\n')
        rest = lines.pop() ?? ''
        for (const line of lines) countOne(statuses, STATUS.exec(line)?.[1] ?? 'none')
      })
      response.once('error', reject)
      response.once('end', () => resolve({ batchId, seconds: (performance.now() - beganAt) / 1_000, statuses }))
    })
  })
  for (let number = first; number < first + count; number += LINES_AT_ONCE) {
    let text = ''
    const end = Math.min(number + LINES_AT_ONCE, first + count)
    for (let one = number; one < end; one += 1) text += `${payload.text(FIRST_NUMBER + one, Date.now())}\n`
    if (!sending.write(text)) await Promise.race([drained(sending), answered])
  }
  sending.end()
  return await answered
}

function drained(stream: NodeJS.EventEmitter): Promise<void> {
  return new Promise((resolve) => {
    stream.once('drain', () => resolve())
  })
}

function countOne(statuses: Record<string, number>, status: string): void {
  statuses[status] = (statuses[status] ?? 0) + 1
}
