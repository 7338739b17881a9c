import { sendBatch } from './batch-client.ts'
import { median, PAIRS, shown } from './figures.ts'
import { citing } from './line.ts'
import { Payload, readContractUpload } from './payload.ts'
import { startServerProcess } from './server-process.ts'
import type { Bench } from './words.ts'

const LINES = 10_000
const WARM_UP_LINES = 5_000

/**
 * Runs a second of a batch over HTTP, divided by the rate at which the very rows that it stored are put into the same
 * tables with nothing around it. Pair by pair: each baseline follows the batch whose rows it takes.
 */
export const intakeBatch: Bench = async (tell) => {
  const server = await startServerProcess()
  try {
    const payload = new Payload(citing(await readContractUpload(), server.cited))
    let first = 0
    const send = async (count: number) => {
      const report = await sendBatch(server, payload, { first, count })
      first += count
      if (report.statuses['201'] !== count) throw new Error(`the batch answered ${JSON.stringify(report.statuses)}`)
      return report
    }
    tell(`Warm-up, ${WARM_UP_LINES} lines.`)
    await server.bareInsert((await send(WARM_UP_LINES)).batchId)
    tell(`${LINES} lines each, five pairs.`)
    const pairs: { ours: number; baseline: number }[] = []
    for (let number = 1; number <= PAIRS; number += 1) {
      const { batchId, seconds } = await send(LINES)
      const bare = await server.bareInsert(batchId)
      if (bare.uploads !== LINES) throw new Error(`${bare.uploads} of ${LINES} rows were read back`)
      const pair = { ours: LINES / seconds, baseline: LINES / bare.seconds }
      pairs.push(pair)
      tell(
        `  ${number}: ${pair.ours.toFixed(0)}/s, bare ${pair.baseline.toFixed(0)}/s, ratio ${(pair.ours / pair.baseline).toFixed(2)}`,
      )
    }
    return {
      ratioToBareInsert: shown(median(pairs.map(({ ours, baseline }) => ours / baseline))),
      runsPerSecond: shown(median(pairs.map(({ ours }) => ours))),
      barePerSecond: shown(median(pairs.map(({ baseline }) => baseline))),
    }
  } finally {
    await server.close()
  }
}
