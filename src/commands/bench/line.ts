import { mkdtemp, rm } from 'node:fs/promises'
import { join, resolve } from 'node:path'
import { createLog } from '../../platform/http/server.ts'
import { type Service, startService } from '../../service.ts'
import { readSettings } from '../../settings.ts'
import type { Cited } from '../demo/bench.ts'
import { narratorTo } from '../demo/narrator.ts'
import { bringIntoForce } from '../demo/scene-plan.ts'
import { setUpPlant } from '../demo/scene-plant.ts'
import { publishRules } from '../demo/scene-rules.ts'
import { beginShift } from '../demo/shift.ts'
import { newBench, type Stage } from '../demo/stage.ts'
import { Tally } from '../demo/tally.ts'
import type { Wire } from './payload.ts'

/** A service with a line of Aldermoor Works on it, on an embedded database of its own that is durable. */
export interface BenchLine {
  readonly service: Service
  readonly stage: Stage
  /** What uploads cite: revision 7 of ex36-final, in force, keyed in and read back. */
  readonly cited: Cited
  /** Ends the service and removes its data. */
  close(): Promise<void>
}

/** A folder beside the data of a service, so that commits cost what they cost there; a temporary one may be in memory. */
export function benchDirectory(): Promise<string> {
  return mkdtemp(join(resolve('.'), 'bench-data-'))
}

const open = new Set<() => Promise<void>>()

/** Ends every line that is up, for a bench that is broken off: its databases must not outlive it. */
export async function closeLines(): Promise<void> {
  await Promise.all([...open].map((close) => close()))
}

/** Starts the service and brings the line up over HTTP by the acts of the demo; its clock is then the real one. */
export async function openBenchLine(): Promise<BenchLine> {
  const directory = await benchDirectory()
  const settings = readSettings({ DATA_DIRECTORY: directory, PORT: '0', LOG_LEVEL: 'error' })
  const shift = beginShift()
  let service: Service | undefined
  const close = async () => {
    open.delete(close)
    await service?.stop()
    await rm(directory, { recursive: true, force: true })
  }
  open.add(close)
  try {
    service = await startService(settings, { clock: shift.clock, log: createLog(settings.logLevel) })
    const { url, administratorToken } = service
    if (administratorToken === undefined) throw new Error('the database of the bench was not empty')
    const tell = narratorTo(() => undefined, shift)
    const cast = await setUpPlant({ url, administratorToken, shift, tell })
    const stage: Stage = { shift, tell, cast, tally: new Tally(), bench: newBench(), toldBefore: new Set() }
    await publishRules(stage)
    await bringIntoForce(stage)
    shift.catchUp()
    const { cited } = stage.bench
    if (cited === undefined) throw new Error('the station was given nothing to test with')
    return { service, stage, cited, close }
  } catch (error) {
    await close()
    throw error
  }
}

/** The upload as this line's station would send it. */
export function citing(wire: Wire, { plan, revision, revisionDigest, programming }: Cited): Wire {
  return { ...wire, plan, revision, revisionDigest, programming }
}
