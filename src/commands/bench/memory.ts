import { sendBatch } from './batch-client.ts'
import { shown } from './figures.ts'
import { citing } from './line.ts'
import { Payload, readContractUpload } from './payload.ts'
import { startServerProcess } from './server-process.ts'
import type { Bench } from './words.ts'

/** As many as a batch may have. `BENCH_LINES` sends fewer, to see at once whether the size stays level. */
const LINES_MAX = 1_000_000
const SHORT_LINES = 10_000

/** The greatest resident size of the server's process while one batch streams in, beside that of a short one. */
export const memory: Bench = async (tell) => {
  const lines = Number(process.env['BENCH_LINES'] ?? LINES_MAX)
  if (!Number.isSafeInteger(lines) || lines <= SHORT_LINES || lines > LINES_MAX) {
    throw new Error(`BENCH_LINES must lie between ${SHORT_LINES + 1} and ${LINES_MAX}.`)
  }
  const server = await startServerProcess()
  try {
    const payload = new Payload(citing(await readContractUpload(), server.cited))
    const short = await sendBatch(server, payload, { first: 0, count: SHORT_LINES })
    const shortPeakMb = await server.peakMb()
    tell(`${SHORT_LINES} lines: ${shortPeakMb.toFixed(0)} MB, ${(SHORT_LINES / short.seconds).toFixed(0)} lines/s.`)
    const count = lines - SHORT_LINES
    const long = await sendBatch(server, payload, { first: SHORT_LINES, count })
    if (long.statuses['201'] !== count) throw new Error(`the batch answered ${JSON.stringify(long.statuses)}`)
    const peakMb = await server.peakMb()
    tell(`${count} lines: ${peakMb.toFixed(0)} MB, ${(count / long.seconds).toFixed(0)} lines/s.`)
    return {
      peakMb: shown(peakMb),
      shortPeakMb: shown(shortPeakMb),
      lines: count,
      linesPerSecond: shown(count / long.seconds),
    }
  } finally {
    await server.close()
  }
}
