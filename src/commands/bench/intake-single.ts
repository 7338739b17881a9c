import { type BareHandler, startBareHandler } from './bare-handler.ts'
import { interleavedPairs, median, medianRatio, shown } from './figures.ts'
import { type BenchLine, citing, openBenchLine } from './line.ts'
import { type LoadProcess, startLoadProcess } from './load-process.ts'
import type { LoadOrder } from './load-words.ts'
import { readContractUpload } from './payload.ts'
import type { Bench } from './words.ts'

const CONNECTIONS = 64
const WARM_UP_SECONDS = 4
const CLOSED_SECONDS = 4
const OPEN_SECONDS = 6
/** In an open loop a request must not wait for a connection. */
const OPEN_CONNECTIONS = 256

/**
 * `POST /v1/runs` against a bare handler in the same process on the same pool: how many a second at 64 connections, and
 * the 99th percentile at half the rate that the bare handler reaches.
 */
export const intakeSingle: Bench = async (tell) => {
  const line = await openBenchLine()
  const { database } = line.service
  const bare = await startBareHandler(database, 'leeds')
  const load = startLoadProcess()
  try {
    return await measure({ line, bare, load, tell })
  } finally {
    await load.close()
    await bare.close()
    await line.close()
  }
}

async function measure(parts: {
  readonly line: BenchLine
  readonly bare: BareHandler
  readonly load: LoadProcess
  readonly tell: (text: string) => void
}) {
  const { line, bare, load, tell } = parts
  const wire = citing(await readContractUpload(), line.cited)
  const base = { host: '127.0.0.1', token: line.stage.cast.station.token, wire, connections: CONNECTIONS }
  const ofBare = (order: Pick<LoadOrder, 'seconds' | 'perSecond' | 'connections'>) =>
    load.order({ ...base, ...order, port: bare.port, path: '/runs' }, 200)
  const ofOurs = (order: Pick<LoadOrder, 'seconds' | 'perSecond' | 'connections'>) =>
    load.order({ ...base, ...order, port: Number(new URL(line.service.url).port), path: '/v1/runs' }, 201)
  const closed = { connections: CONNECTIONS, seconds: CLOSED_SECONDS }

  tell(`Warm-up, ${WARM_UP_SECONDS} s each.`)
  await ofBare({ ...closed, seconds: WARM_UP_SECONDS })
  await ofOurs({ ...closed, seconds: WARM_UP_SECONDS })
  tell(`Closed loop, ${CONNECTIONS} connections, ${CLOSED_SECONDS} s each, five pairs.`)
  const rates = await interleavedPairs(
    async () => (await ofBare(closed)).perSecond,
    async () => (await ofOurs(closed)).perSecond,
    ({ ours, baseline }, number) =>
      tell(`  ${number}: ${ours.toFixed(0)}/s, bare ${baseline.toFixed(0)}/s, ratio ${(ours / baseline).toFixed(2)}`),
  )
  const perSecond = median(rates.map(({ baseline }) => baseline)) / 2
  const open = { connections: OPEN_CONNECTIONS, seconds: OPEN_SECONDS, perSecond }
  tell(`Open loop, ${perSecond.toFixed(0)}/s, ${OPEN_SECONDS} s each, five pairs.`)
  await ofBare(open)
  await ofOurs(open)
  const delays = await interleavedPairs(
    async () => (await ofBare(open)).p99,
    async () => (await ofOurs(open)).p99,
    ({ ours, baseline }, number) =>
      tell(
        `  ${number}: p99 ${ours.toFixed(1)} ms, bare ${baseline.toFixed(1)} ms, ratio ${(ours / baseline).toFixed(2)}`,
      ),
  )
  return {
    ratioToBareHandler: shown(medianRatio(rates)),
    p99Ratio: shown(medianRatio(delays)),
    runsPerSecond: shown(median(rates.map(({ ours }) => ours))),
    barePerSecond: shown(median(rates.map(({ baseline }) => baseline))),
  }
}
