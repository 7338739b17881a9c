import 'zod/compile' // First of all imports: schemas built before it stay slow.
import { parseArgs } from 'node:util'
import { intakeBatch } from './bench/intake-batch.ts'
import { intakeSingle } from './bench/intake-single.ts'
import { judgeBench } from './bench/judge.ts'
import { closeLines } from './bench/line.ts'
import { memory } from './bench/memory.ts'
import { revalidate } from './bench/revalidate.ts'
import { start } from './bench/start.ts'
import { studyBench } from './bench/study.ts'
import type { Bench } from './bench/words.ts'

/**
 * `npm run bench -- NAME`: measures one of the bars on this machine, on databases of its own in bench-data-*, and ends.
 * `-- NAME --json` prints the figures as one JSON object last. Only ratios taken in one run are worth comparing.
 */

const benches: Readonly<Record<string, Bench>> = {
  judge: judgeBench,
  study: studyBench,
  'intake-single': intakeSingle,
  revalidate,
  'intake-batch': intakeBatch,
  memory,
  start,
}

const write = (line: string) => process.stdout.write(`${line}\n`)

for (const signal of ['SIGINT', 'SIGTERM'] as const) {
  process.once(signal, () => {
    closeLines().finally(() => process.exit(1))
  })
}

try {
  const { values, positionals } = parseArgs({
    options: { json: { type: 'boolean', default: false } },
    allowPositionals: true,
  })
  const [name = ''] = positionals
  const bench = Object.hasOwn(benches, name) ? benches[name] : undefined
  if (bench === undefined) throw new Error(`Name one bench: ${Object.keys(benches).join(', ')}.`)
  const figures = await bench(write)
  for (const [key, value] of Object.entries(figures)) write(`${key}: ${value}`)
  if (values.json) write(JSON.stringify({ bench: name, ...figures }))
} catch (error) {
  process.stderr.write(`${error instanceof Error ? error.message : String(error)}\n`)
  process.exitCode = 1
}
