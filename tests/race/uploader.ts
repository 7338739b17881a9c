import { createLane, type Lane } from '../../src/intake/acts-lane.ts'
import type { IntakeCommit, IntakePort } from '../../src/intake/port.ts'
import { readUpload } from '../../src/intake/read-upload.ts'
import { intakeStore } from '../../src/intake/store.ts'
import { startSweep } from '../../src/plans/job.ts'
import { realClock, receivedClock } from '../../src/platform/clock.ts'
import { type Database, openDatabase } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { Problem } from '../../src/platform/problems.ts'
import { type KnownRevision, runBytes, type Station } from './factory.ts'
import type { Run } from './oracle.ts'

/** One process of the service as far as uploads go: its own pool, its own lane with its own memory of facts, its sweep. */
export interface Process {
  readonly database: Database
  readonly lane: Lane
  /** Commits that found the gate moved and decided their uploads again. */
  redecided(): number
  stop(): Promise<void>
}

export async function startProcess(
  serviceUrl: string,
  wrap: (port: IntakePort, database: Database) => IntakePort,
): Promise<Process> {
  const database = await openDatabase({ serviceUrl, clock: realClock, log: silentLog, poolMax: 8 })
  let redecided = 0
  const port = counting(wrap(intakeStore(database, receivedClock(realClock)), database), () => {
    redecided += 1
  })
  const lane = createLane({
    port,
    ids: database.ids,
    log: silentLog,
    keepFailed: (_received, error) => Promise.reject(error),
  })
  const sweep = startSweep(database, silentLog)
  return {
    database,
    lane,
    redecided: () => redecided,
    async stop() {
      await lane.drain()
      await sweep.stop()
      await database.close()
    },
  }
}

/** The port, telling of each commit that asked what had changed and then appended. */
function counting(port: IntakePort, tell: () => void): IntakePort {
  return {
    ...port,
    inCommit: (work) =>
      port.inCommit((commit) => {
        let isMoved = false
        const watched: IntakeCommit = {
          ...commit,
          changesSince(site, version) {
            isMoved = true
            return commit.changesSince(site, version)
          },
          append(rows) {
            if (isMoved) tell()
            return commit.append(rows)
          },
        }
        return work(watched)
      }),
  }
}

/** How long a process without a gate goes on with what it once read. */
const CACHE_MS = 100

/** The port of a service without the gate: it shares no lock, and believes a version that it read a while ago. */
export function withoutGate(port: IntakePort, database: Database): IntakePort {
  const known = new Map<string, { version: number; rulesVersion: number; readAt: number }>()
  return {
    ...port,
    inCommit: (work) =>
      port.inCommit((commit) =>
        work({
          ...commit,
          async shareGate(site) {
            const now = Date.now()
            let share = known.get(site)
            if (share === undefined || share.readAt + CACHE_MS < now) {
              const [row] = await database.sql.query<{ version: number; rulesVersion: number }>(
                'SELECT version, rules_version AS "rulesVersion" FROM intake.gate WHERE site_id = $1',
                [site],
              )
              if (row === undefined) return undefined
              share = { ...row, readAt: now }
              known.set(site, share)
            }
            return { version: share.version, rulesVersion: share.rulesVersion, at: now, databaseAt: now }
          },
        }),
      ),
  }
}

/** What the service said of one upload. */
export interface Answered extends Run {
  readonly outcome: string
  readonly codes: readonly string[]
}

/** Sends one run and gives the answer; undefined where the service was too busy and stored nothing. */
export async function upload(
  { database, lane }: Process,
  station: Station,
  revision: KnownRevision,
  asked: { number: number; startedAt: number },
): Promise<Answered | undefined> {
  const raw = runBytes(station, revision, asked)
  const read = readUpload(raw)
  if (read.kind !== 'read') throw new Error(`the run could not be read: ${JSON.stringify(read)}`)
  const receivedAt = Date.now()
  const runId = database.ids.mint(receivedAt)
  try {
    const result = await lane.submit({ actor: station.actor, read, raw, receivedAt, runId })
    if (result.kind !== 'stored') throw new Error(`a fresh key was answered ${result.kind}`)
    const { outcome, codes } = result.stored
    const { plan, revision: number } = revision
    return { plan, revision: number, startedAt: asked.startedAt, outcome, codes: codes.map(({ code }) => code) }
  } catch (error) {
    if (error instanceof Problem && error.key === 'overloaded') return undefined
    throw error
  }
}
