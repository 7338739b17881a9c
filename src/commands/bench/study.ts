import { readUpload } from '../../intake/read-upload.ts'
import type { JudgementText } from '../../intake/stored.ts'
import { type CompiledRevision, compileRevision } from '../../judging/compile.ts'
import { judge } from '../../judging/judge.ts'
import type { Verdict } from '../../judging/words.ts'
import { PlanContentWire } from '../../plans/words.ts'
import { rejudgeByRevision } from '../../studies/rejudge.ts'
import { isUnchanged, type Screen, screenBetween } from '../../studies/screen.ts'
import { readDraft } from '../demo/seed.ts'
import { median, PAIRS, shown } from './figures.ts'
import { FIRST_NUMBER, Payload, readContractUpload } from './payload.ts'
import type { Bench } from './words.ts'

const ROUND_MS = 1_000
const RUNS = 2_000
/** One run of so many is affected, and is judged from its bytes. */
const AFFECTED_EVERY = 100

interface Kept {
  readonly verdict: Verdict
  readonly judgement: string
  readonly raw: Buffer
}

/**
 * What a study does with a run once its row is here, on one core and without the database: the stored judgement decoded
 * and screened, and one of a hundred read from its bytes and judged again.
 */
export const studyBench: Bench = async (tell) => {
  const before = await compiledWith('0.75')
  const to = await compiledWith('0.60')
  const screen = screenBetween(before, to)
  if (screen === null) throw new Error('plain limits can be screened')
  const payload = new Payload(await readContractUpload())
  const runs = Array.from({ length: RUNS }, (_, index): Kept => {
    const text = payload.text(FIRST_NUMBER + index, Date.now())
    const touch = index % AFFECTED_EVERY === 0 ? '0.651' : `0.${300 + (index % 200)}`
    const raw = Buffer.from(text.replace('"value":"0.341"', `"value":"${touch}"`), 'utf8')
    const { verdict, reasons, steps } = judge(uploadOf(raw), before)
    return { verdict, judgement: JSON.stringify({ reasons, steps } satisfies JudgementText), raw }
  })
  tell(`${RUNS} stored runs, one of ${AFFECTED_EVERY} affected, judgements of ${runs[0]?.judgement.length} bytes.`)
  const round = () => {
    const began = process.cpuUsage()
    const until = performance.now() + ROUND_MS
    let count = 0
    let found = 0
    while (performance.now() < until) {
      for (const run of runs) if (isAffected(run, to, screen)) found += 1
      count += runs.length
    }
    if (found !== count / AFFECTED_EVERY) throw new Error(`${found} of ${count} runs were found`)
    const { user, system } = process.cpuUsage(began)
    return count / ((user + system) / 1e6)
  }
  round()
  const rates = Array.from({ length: PAIRS }, round)
  tell(`  ${rates.map((rate) => rate.toFixed(0)).join(', ')} runs a second of processor time`)
  return { runsPerSecond: shown(median(rates)) }
}

function isAffected({ verdict, judgement, raw }: Kept, to: CompiledRevision, screen: Screen): boolean {
  const { steps }: JudgementText = JSON.parse(judgement)
  const stored = { verdict, steps }
  if (isUnchanged(screen, stored)) return false
  return rejudgeByRevision(stored, uploadOf(raw), { to, instrument: { uncertainty: [] } }) !== undefined
}

/** The plan of the bench with another limit of the touch current, in mA. */
async function compiledWith(value: string): Promise<CompiledRevision> {
  const content = PlanContentWire.parse((await readDraft('plan-ex36-final-7')).content)
  const steps = content.steps.map((step) =>
    step.kind === 'touch-current' ? { ...step, limitUpper: { value, unit: 'mA', inclusive: true } } : step,
  )
  const compiled = compileRevision({ ...content, steps }, 'EX36-3M')
  if ('missing' in compiled) throw new Error('the plan has no limits for EX36-3M')
  return compiled
}

function uploadOf(raw: Buffer) {
  const read = readUpload(raw)
  if (read.kind !== 'read') throw new Error(`the run of the bench cannot be read: ${JSON.stringify(read)}`)
  return read.upload
}
