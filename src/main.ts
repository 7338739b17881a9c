import 'zod/compile' // First of all imports: schemas built before it stay slow.
import { realClock } from './platform/clock.ts'
import { createLog } from './platform/http/server.ts'
import { startService } from './service.ts'
import { readSettings } from './settings.ts'

/** A stop that takes longer than this is cut short, so that whoever stops us need not. */
const STOP_TIME_MAX_MS = 9_000

try {
  const settings = readSettings(process.env)
  const log = createLog(settings.logLevel)
  const starting = startService(settings, { clock: realClock, log })
  const stop = async (signal: string) => {
    log.info({ signal }, 'Stopping.')
    setTimeout(() => {
      log.error({}, 'Stopping took too long and is cut short.')
      process.exit(1)
    }, STOP_TIME_MAX_MS).unref()
    // Also while still starting: what a half-made start leaves running would be in the way of the next.
    const service = await starting
    await service.stop()
    process.exit(0)
  }
  process.once('SIGTERM', stop)
  process.once('SIGINT', stop)
  const service = await starting
  if (service.administratorToken !== undefined) {
    process.stdout.write(`The first administrator's access key, shown this once: ${service.administratorToken}\n`)
  }
} catch (error) {
  process.stderr.write(`${error instanceof Error ? (error.stack ?? error.message) : String(error)}\n`)
  process.exit(1)
}
