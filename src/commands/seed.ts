import 'zod/compile' // First of all imports: schemas built before it stay slow.
import { parseArgs } from 'node:util'
import { createLog } from '../platform/http/server.ts'
import { readSettings } from '../settings.ts'
import { loadFortnight } from './seed/load.ts'
import type { ProductCounts } from './seed/tally.ts'

/**
 * `npm run seed`: fills an empty database with two weeks at two invented plants, by the acts that a house would do, under
 * a scripted clock. The settings are those of the service; `npm start` then serves what was loaded. `-- --json` prints
 * the counts as one JSON array last.
 */
try {
  const { values } = parseArgs({ options: { json: { type: 'boolean', default: false } } })
  const { LOG_LEVEL } = process.env
  const settings = readSettings({ ...process.env, PORT: '0', LOG_LEVEL: LOG_LEVEL || 'warn' })
  const { counts, keysFile } = await loadFortnight(settings, createLog(settings.logLevel))
  console.log('Two weeks at Aldermoor Works, an invented maker. No number is a limit for a real product.')
  console.log('High voltage can kill. Local codes and licensed practice govern; only trained persons test.')
  for (const line of table(counts)) console.log(line)
  console.log(`The keys lie in ${keysFile}; they are for trying out only. npm start serves what was loaded.`)
  if (values.json) console.log(JSON.stringify(counts))
} catch (error) {
  console.error(error instanceof Error ? error.message : String(error))
  process.exitCode = 1
}

/** The counts with a head, in columns: the product to the left, numbers to the right. */
function table(counts: readonly ProductCounts[]): string[] {
  const [first] = counts
  const rows = [Object.keys(first ?? {}), ...counts.map((one) => Object.values(one).map(String))]
  return rows.map(([product = '', ...numbers]) => product.padEnd(10) + numbers.map((one) => one.padStart(10)).join(''))
}
