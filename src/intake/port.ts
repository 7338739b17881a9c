import type { FactKey, Facts } from '../judging/facts.ts'
import type { Change, GateShare } from '../platform/gate.ts'
import type { UnitHistory } from '../units/reads.ts'
import type { Attempt, UnitName } from '../units/words.ts'

/** What the lane needs of the world. One implementation stands on PostgreSQL (store.ts). */
export interface IntakePort {
  /** Makes the months that hold these instants, in transactions of their own. */
  ensureMonths(receivedAt: readonly number[], startedAt: readonly number[]): Promise<void>
  /** One transaction: all or nothing. `work` may run again where another transaction was in its way. */
  inCommit<T>(work: (commit: IntakeCommit) => Promise<T>): Promise<T>
  /** Brings the checks of these revisions up to the current rules, in a transaction of its own. */
  ensureChecked(revisions: readonly RevisionName[]): Promise<void>
  /** Rises whenever the database behind may have become another one: what was remembered before counts no more. */
  epoch(): number
}

export interface RevisionName {
  readonly plan: string
  readonly revision: number
}

/** The statements of one commit, in the lock order of architecture 1: gate, upload keys, units, appended rows. */
export interface IntakeCommit {
  /** The share of the site's gate: first and alone. Undefined: there is no such site. */
  shareGate(site: string): Promise<GateShare | undefined>
  changesSince(site: string, version: number): Promise<readonly Change[]>
  /** Facts with these needs read in as well. */
  loadFacts(facts: Facts, needs: readonly FactKey[]): Promise<Facts>
  /** Takes upload keys; gives those that were taken before, with what stands under them. */
  takeKeys(site: string, keys: readonly KeyRow[]): Promise<readonly KeyRow[]>
  /** Which of these uploads are there already: those of a commit whose answer was lost. */
  presentUploads(
    site: string,
    uploads: readonly { readonly receivedAt: number; readonly uploadId: string }[],
  ): Promise<ReadonlySet<string>>
  /** Locks units and gives the history of each, across all sites, keyed by `unitKey`. */
  lockUnits(site: string, units: readonly UnitName[]): Promise<ReadonlyMap<string, UnitHistory>>
  /**
   * Takes uses of deviation permits, run by run in this order, each all or none: a unit counts once under a permit, and
   * no more units than its quantity. Says of each run whether it has them. The units must be locked.
   */
  takePermits(uses: readonly PermitUse[], at: number): Promise<readonly boolean[]>
  append(rows: CommitRows): Promise<void>
}

/** What one run needs to pass. */
export interface PermitUse extends UnitName {
  readonly runId: string
  readonly permits: readonly string[]
}

export interface KeyRow {
  readonly station: string
  readonly uploadKey: string
  readonly digest: string
  readonly uploadId: string
  readonly receivedAt: number
  /** The first answer's status, of what was taken in an earlier commit. */
  readonly status?: number | null
}

export interface UploadRow {
  readonly site: string
  readonly receivedAt: number
  readonly uploadId: string
  readonly station: string | null
  readonly uploadKey: string | null
  readonly sequenceNumber: number | null
  readonly sender: string
  readonly sentAt: number | null
  readonly skewMs: number | null
  /** Where it came as a line of a batch. */
  readonly batchId: string | null
  readonly line: number | null
  readonly raw: Buffer
  readonly contentDigest: string | null
  readonly outcome: 'accepted' | 'held' | 'rejected' | 'conflict' | 'unreadable' | 'failed' | 'repeated'
  readonly status: number
  /** JSON text of the codes with pointers and facts. */
  readonly codes: string
  readonly product: string | null
  readonly serial: string | null
  readonly plan: string | null
  readonly revision: number | null
  /** The start as used, where a row of runs follows. */
  readonly startedAt: number | null
  /** JSON text of what the judge said, where no row of runs follows. */
  readonly judgement: string | null
  /** JSON text of why the bytes could not be read. */
  readonly fault: string | null
  /** Of a repeated line: the upload whose answer is its answer. */
  readonly firstUploadId: string | null
  readonly firstReceivedAt: number | null
}

export interface RunRow {
  readonly site: string
  readonly startedAt: number
  readonly runId: string
  readonly receivedAt: number
  readonly station: string
  readonly uploadKey: string
  readonly sequenceNumber: number
  readonly outcome: 'accepted' | 'held'
  readonly purpose: string
  readonly source: string
  readonly product: string
  readonly variant: string
  readonly serial: string
  readonly operation: string
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly productVersion: number
  readonly rulesVersion: number
  readonly editions: readonly string[]
  readonly decisionRule: string
  readonly instrument: string
  readonly calibration: string | null
  readonly programming: string | null
  readonly person: string
  readonly startedAtSent: number
  readonly endedAt: number
  readonly verdict: string
  readonly stationVerdict: string | null
  readonly attemptCause: string | null
  readonly attemptOf: string | null
  readonly jobOrder: string | null
  readonly materialLot: string | null
  readonly componentLots: string | null
  readonly ambient: string | null
  readonly judgement: string
}

/** Numbers are decimal text in canonical units. */
export interface ReadingRow {
  readonly site: string
  readonly startedAt: number
  readonly runId: string
  readonly step: string
  readonly measurement: string
  readonly kind: string
  readonly termination: string
  readonly verdict: string
  readonly quantity: string | null
  readonly detector: string | null
  readonly value: string | null
  readonly relation: string | null
  readonly unit: string | null
  readonly text: string | null
  readonly judged: string | null
  readonly testVoltage: string | null
  readonly testCurrent: string | null
  readonly dwell: string | null
  readonly frequency: string | null
  readonly residualVoltage: string | null
  readonly limitLower: string | null
  readonly limitUpper: string | null
  readonly openLeadMinimum: string | null
}

export interface AttemptRow extends Attempt {
  readonly product: string
  readonly serial: string
}

export interface EntryRow {
  readonly site: string
  readonly recordedAt: number
  readonly entryId: string
  readonly content: string
  readonly leafHash: string
}

/** All that one commit appends, in one statement. */
export interface CommitRows {
  readonly uploads: readonly UploadRow[]
  readonly runs: readonly RunRow[]
  readonly readings: readonly ReadingRow[]
  readonly attempts: readonly AttemptRow[]
  readonly entry: EntryRow
}
