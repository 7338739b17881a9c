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
  // Every signal is heard: a second one unheard would end the process at once and leave the database running alone.
  let isStopping = false
  for (const signal of ['SIGTERM', 'SIGINT'] as const) {
    process.on(signal, () => {
      if (isStopping) return
      isStopping = true
      stop(signal).catch(() => process.exit(1))
    })
  }
  const service = await starting
  if (service.administratorToken !== undefined) {
    process.stdout.write(`The first administrator's access key, shown this once: ${service.administratorToken}\n`)
  }
} catch (error) {
  process.stderr.write(`Limitkeep could not start: ${describeFailure(error)}\n`)
  process.exit(1)
}

/** What went wrong, in words; the reasons behind it follow, since the first sentence alone rarely helps. */
function describeFailure(error: unknown): string {
  const parts: string[] = []
  for (let one = error; one !== undefined && parts.length < 5; one = one instanceof Error ? one.cause : undefined) {
    // Several addresses tried in vain come as one error without words of its own.
    const inner = one instanceof AggregateError ? one.errors[0] : one
    parts.push(inner instanceof Error ? inner.message : String(inner))
  }
  return parts.join(' Because: ')
}
