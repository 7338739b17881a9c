import { argv, exit, stdout } from 'node:process'
import { checkPageBehind } from '../../src/plans/acts/ensure-checked.ts'
import { startSweep } from '../../src/plans/job.ts'
import { realClock } from '../../src/platform/clock.ts'
import { openDatabase } from '../../src/platform/database/pool.ts'
import { createLog } from '../../src/platform/http/server.ts'

/**
 * A process that sweeps and may be killed: as the service does, or slowly, one check in each transaction. It prints a
 * line once it has begun.
 */
const [, , serviceUrl = '', pace = 'as-the-service'] = argv
const log = createLog('warn')
try {
  const database = await openDatabase({ serviceUrl, clock: realClock, log, poolMax: 4 })
  stdout.write('begun\n')
  if (pace === 'slowly') while ((await checkPageBehind(database, { timeMaxMs: 0 })) === 'more');
  else startSweep(database, log)
} catch (error) {
  stdout.write(`${String(error)}\n`)
  exit(1)
}
