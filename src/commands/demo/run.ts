import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { PassThrough } from 'node:stream'
import { createLog } from '../../platform/http/server.ts'
import { type Service, startService } from '../../service.ts'
import type { Settings } from '../../settings.ts'
import { emptyFolder, forgetAddress, noteAddress } from './folder.ts'
import { unit } from './scene-testing.ts'
import { beginShift } from './shift.ts'
import { type Stage, testUnit } from './stage.ts'
import { tellStory } from './story.ts'
import type { Totals } from './tally.ts'

/** A demo that has told its story and whose service is still up. */
export interface DemoRun {
  readonly url: string
  readonly totals: Totals
  /** The keys by name, as the shell takes them. For the demo only: a real key is shown to its holder alone. */
  readonly keys: Readonly<Record<string, string>>
  readonly stop: () => Promise<void>
}

/** How much of the log is shown where the demo fails. */
const LOG_LINES_MAX = 40

/**
 * Empties the demo's data folder, starts the service in it under a scripted clock, and tells the story over HTTP. Beside
 * the data it leaves `keys.env` and `upload.json`, with which the README's commands work.
 * @param signal stops the demo before its end
 * @throws an error whose message says what was not as told, with the last of the log
 */
export async function runDemo(
  settings: Settings,
  write: (line: string) => void,
  signal: AbortSignal = new AbortController().signal,
): Promise<DemoRun> {
  await emptyFolder(settings.dataDirectory)
  const shift = beginShift()
  const logged: string[] = []
  const sink = new PassThrough()
  sink.on('data', (chunk) => {
    logged.push(String(chunk))
    if (logged.length > LOG_LINES_MAX) logged.shift()
  })
  let service: Service | undefined
  // A request under way then fails, and with it the story.
  const stop = async () => {
    await service?.stop()
    await forgetAddress(settings.dataDirectory)
  }
  const abandon = () => void stop()
  signal.addEventListener('abort', abandon)
  try {
    service = await startService(settings, { clock: shift.clock, log: createLog(settings.logLevel, sink) })
    signal.throwIfAborted()
    const { url, administratorToken } = service
    if (administratorToken === undefined) throw new Error('The database of the demo was not empty.')
    await noteAddress(settings.dataDirectory, url)
    const { totals, stage } = await tellStory({ url, administratorToken, shift, write })
    const keys = keysOf(stage)
    await leaveForReaders(settings.dataDirectory, { url, keys, stage })
    shift.catchUp()
    return { url, totals, keys, stop }
  } catch (error) {
    await stop()
    if (signal.aborted) throw new Error('The demo was stopped.')
    const reason = error instanceof Error ? error.message : String(error)
    throw new Error(`The demo did not go as told. ${reason}\n${logged.join('')}`, { cause: error })
  } finally {
    signal.removeEventListener('abort', abandon)
  }
}

function keysOf({ cast }: Stage): Record<string, string> {
  return {
    STATION_KEY: cast.station.token,
    ENGINEER_KEY: cast.engineer.token,
    MANAGER_KEY: cast.manager.token,
    ADMINISTRATOR_KEY: cast.administrator.token,
  }
}

/** What `sed` puts the time of sending in place of. */
const SENT_AT = 'SENT-AT'

/** The files that the README's commands read: the keys, and one upload of a unit not yet seen, without its `sentAt`. */
async function leaveForReaders(
  directory: string,
  { url, keys, stage }: { readonly url: string; readonly keys: Record<string, string>; readonly stage: Stage },
): Promise<void> {
  const lines = Object.entries({ LIMITKEEP: url, ...keys }).map(([name, value]) => `${name}=${value}\n`)
  await writeFile(join(directory, 'keys.env'), lines.join(''), { mode: 0o600 })
  const { format, uploadKey, sequenceNumber, ...rest } = testUnit(stage, unit('EX36-26-004450'))
  const upload = { format, uploadKey, sequenceNumber, sentAt: SENT_AT, ...rest }
  await writeFile(join(directory, 'upload.json'), `${JSON.stringify(upload, null, 1)}\n`)
}
