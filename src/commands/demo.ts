import 'zod/compile' // First of all imports: schemas built before it stay slow.
import { once } from 'node:events'
import { parseArgs } from 'node:util'
import { readSettings } from '../settings.ts'
import { type DemoRun, runDemo } from './demo/run.ts'

/**
 * `npm run demo`: tells one shift at an invented plant over HTTP, on a database of its own in ./demo-data, and ends.
 * `-- --json` prints the counts as one JSON object last; `-- --keep` stays up.
 */

const write = (line: string) => process.stdout.write(`${line}\n`)
const stopping = new AbortController()
process.on('SIGINT', () => stopping.abort())
process.on('SIGTERM', () => stopping.abort())

try {
  const { values } = parseArgs({
    options: { json: { type: 'boolean', default: false }, keep: { type: 'boolean', default: false } },
  })
  // Its own database, whatever the environment names: the demo must never write into a real one.
  const { HOST, PORT } = process.env
  const settings = readSettings({ DATA_DIRECTORY: './demo-data', LOG_LEVEL: 'warn', HOST, PORT: PORT || '0' })
  const run = await runDemo(settings, write, stopping.signal)
  if (values.keep) tellWhere(run)
  if (values.json) write(JSON.stringify(run.totals))
  if (values.keep && !stopping.signal.aborted) await once(stopping.signal, 'abort')
  await run.stop()
} catch (error) {
  process.stderr.write(`${error instanceof Error ? error.message : String(error)}\n`)
  process.exitCode = 1
}

function tellWhere({ url, keys }: DemoRun): void {
  write('')
  write(`The demo stays up at ${url} until you press Ctrl-C. The reference page is at ${url}/docs.`)
  write(
    'These keys are for the demo only. They lie in demo-data/keys.env, and an upload to try in demo-data/upload.json.',
  )
  for (const [name, value] of Object.entries({ LIMITKEEP: url, ...keys })) write(`${name}=${value}`)
}
