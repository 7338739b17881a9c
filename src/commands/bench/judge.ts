import { readUpload } from '../../intake/read-upload.ts'
import { compiledRevision } from '../../judging/compile.ts'
import { judge } from '../../judging/judge.ts'
import type { Upload } from '../../judging/words.ts'
import { PlanContentWire } from '../../plans/words.ts'
import { readDraft } from '../demo/seed.ts'
import { median, PAIRS, shown } from './figures.ts'
import { FIRST_NUMBER, Payload, readContractUpload, type Wire } from './payload.ts'
import type { Bench } from './words.ts'

const ROUND_MS = 1_000
const RUNS = 200
/** Every so many runs one fails, so that reasons are made too. */
const FAILING_EVERY = 10

/** The judge by itself on one core: four steps, eight measurements, exact arithmetic, every limit with its margin. */
export const judgeBench: Bench = async (tell) => {
  const content = PlanContentWire.parse((await readDraft('plan-ex36-final-7')).content)
  const compiled = compiledRevision(content, 'EX36-3M')
  if ('missing' in compiled) throw new Error('the plan has no limits for EX36-3M')
  const wire = await readContractUpload()
  const uploads = Array.from({ length: RUNS }, (_, index) => uploadOf(wire, index))
  const verdicts = new Map<string, number>()
  for (const upload of uploads) {
    const { verdict } = judge(upload, compiled)
    verdicts.set(verdict, (verdicts.get(verdict) ?? 0) + 1)
  }
  tell(`${RUNS} different runs: ${JSON.stringify(Object.fromEntries(verdicts))}. Rounds of ${ROUND_MS} ms.`)
  const round = () => {
    const began = process.cpuUsage()
    const until = performance.now() + ROUND_MS
    let count = 0
    let reasons = 0
    while (performance.now() < until) {
      for (const upload of uploads) reasons += judge(upload, compiled).steps[1]?.measurements[0]?.reasons.length ?? 0
      count += uploads.length
    }
    if (reasons === 0) throw new Error('the failing runs gave no reasons')
    const { user, system } = process.cpuUsage(began)
    return count / ((user + system) / 1e6)
  }
  round()
  const rates = Array.from({ length: PAIRS }, round)
  tell(`  ${rates.map((rate) => rate.toFixed(0)).join(', ')} runs a second of processor time`)
  return { runsPerSecondPerCore: shown(median(rates)) }
}

/** One run, read from bytes as the service reads it; the numbers differ from run to run. */
function uploadOf(wire: Wire, index: number): Upload {
  const current = index % FAILING_EVERY === 0 ? `3.${100 + index}` : `1.${100 + index}`
  const text = new Payload(wire).text(FIRST_NUMBER + index, Date.now())
  const changed = text.replace('"value":"1.74"', `"value":"${current}"`).replace('"118.4"', `"1${index % 50}.${index}"`)
  const read = readUpload(Buffer.from(changed, 'utf8'))
  if (read.kind !== 'read') throw new Error(`the run of the bench cannot be read: ${JSON.stringify(read)}`)
  return read.upload
}
