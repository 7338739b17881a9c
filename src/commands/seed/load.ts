import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import type { Logger } from 'pino'
import { fixedClock } from '../../platform/clock.ts'
import { startService } from '../../service.ts'
import type { Settings } from '../../settings.ts'
import { playFortnight } from './fortnight.ts'
import { openWorks } from './opening.ts'
import { countByProduct, type ProductCounts } from './tally.ts'
import { PREPARED_AT } from './works.ts'

export interface Loaded {
  readonly counts: readonly ProductCounts[]
  /** The file that the keys were written to. */
  readonly keysFile: string
}

/**
 * Loads the fortnight of Aldermoor Works into an empty database: starts the service on it under a scripted clock, does
 * over HTTP what the house would have done, and stops it. Throws where the database is not empty.
 */
export async function loadFortnight(settings: Settings, log: Logger): Promise<Loaded> {
  const clock = fixedClock(Date.parse(PREPARED_AT))
  const service = await startService(settings, { clock, log })
  try {
    const { url, administratorToken } = service
    // The first key of a database is handed out once; where it was, somebody works there already.
    if (administratorToken === undefined) throw new Error('The database is not empty, so nothing was loaded.')
    const works = await openWorks({ url, administratorToken, clock })
    const tally = countByProduct()
    await playFortnight(works, tally.count)
    const keysFile = join(settings.dataDirectory, 'keys.env')
    const lines = Object.entries(works.keys).map(([name, value]) => `${name}=${value}\n`)
    await writeFile(keysFile, lines.join(''), { mode: 0o600 })
    return { counts: tally.counts(), keysFile }
  } finally {
    await service.stop()
  }
}
