import { emptyFacts, type Facts, factOf, forget, isKeyLive, missingNeeds } from '../judging/facts.ts'
import type { GateShare } from '../platform/gate.ts'
import type { Ids } from '../platform/ids.ts'
import { type AttemptWorth, type FoldedAttempt, type FoldPolicy, foldUnit, governingRuns } from '../units/fold.ts'
import { unitKey, versionOfUnits } from '../units/reads.ts'
import { waitsForFacts } from '../units/run-kinds.ts'
import { needsOfAttempt, withSteps, worthOf } from '../units/support.ts'
import type { Attempt, Release, UnitName } from '../units/words.ts'
import { type Decided, decideReceived, needsOfReceived, type Received, underPermits } from './decided.ts'
import type { AttemptRow, CommitRows, IntakeCommit, KeyRow, PermitUse, UploadRow } from './port.ts'
import {
  attemptRow,
  conflictAttemptRow,
  entryRow,
  readingRows,
  repeatRow,
  runRow,
  statusOf,
  storedOf,
  uploadRow,
} from './rows.ts'
import type { StoredUpload } from './stored.ts'

/** What a unit's history makes of a run, as folded in its own commit. */
export interface HistoryAnswer {
  readonly attempt: FoldedAttempt
  readonly release: Release
}

/** What one upload came to in a commit. */
export type CommitResult =
  | { readonly kind: 'stored'; readonly stored: StoredUpload; readonly history: HistoryAnswer | null }
  /** The same key with the same content was there before: its first answer is made again from its rows. */
  | { readonly kind: 'repeat'; readonly first: KeyRow }
  /** The same key was used for other content; the first stays, both are kept. */
  | { readonly kind: 'conflict'; readonly first: KeyRow }
  | { readonly kind: 'key-revoked' }
  /** Its revision has no check at the rules version now: it leaves this commit, is checked, and comes again. */
  | { readonly kind: 'unchecked' }

/** An upload with what was decided before the commit, by facts of some version of the gate. */
export interface Entrant {
  readonly received: Received
  readonly decided: Decided
  /** Whether a commit with it may have gone through before, its answer lost. */
  readonly isRetried: boolean
}

export interface CommitOutcome {
  readonly facts: Facts
  readonly share: GateShare
  readonly results: readonly CommitResult[]
}

/** What a commit is given beside its entrants. */
export interface CommitPorts {
  readonly ids: Ids
  readonly site: string
  /** Whether the database is still the one that the facts were read from. */
  readonly isSameDatabase: () => boolean
}

/**
 * One commit of the lane (architecture 2, steps 5 to 9, and 3, steps 4 to 8): the gate first and alone; where it moved,
 * the facts it names are read again and every entrant decided anew; then keys, units, fold, and one statement that
 * appends. `facts` are those by which the entrants were decided.
 */
export async function commitUploads(
  commit: IntakeCommit,
  { ids, site, isSameDatabase }: CommitPorts,
  facts: Facts,
  entrants: readonly Entrant[],
): Promise<CommitOutcome> {
  const share = await commit.shareGate(site)
  if (share === undefined) throw new Error(`site ${site} has no row in the gate`)
  const current = await factsAt(commit, isSameDatabase() ? facts : undefined, site, share, entrants)
  const jobs =
    current === facts && !entrants.some((one) => startsAfter(one, share.at))
      ? [...entrants]
      : decideAgain(entrants, current, share.at)
  const results: CommitResult[] = jobs.map(({ received, decided }) => {
    if (!isKeyLive(current, received.actor.key)) return { kind: 'key-revoked' }
    return decided.needsCheck
      ? { kind: 'unchecked' }
      : { kind: 'stored', stored: storedOf(received, decided), history: null }
  })
  await settleKeys(commit, site, jobs, results)
  const present = await settlePresent(commit, site, jobs, results)
  await usePermits(commit, { site, at: share.at, present }, jobs, results)
  const rows = rowsOf(jobs, results, present, current.rulesVersion)
  if (rows.uploads.length === 0) return { facts: current, share, results }
  const histories = await foldHistories(commit, current, share, jobs, results, rows.attempts)
  const entry = entryRow(site, share.at, ids.mint(share.at), rows.uploads)
  await commit.append({ ...rows, entry })
  return { facts: current, share, results: results.map((result, index) => withHistory(result, histories.get(index))) }
}

/** The facts at the version of the gate, with all that the entrants ask for. */
async function factsAt(
  commit: IntakeCommit,
  facts: Facts | undefined,
  site: string,
  share: GateShare,
  entrants: readonly Entrant[],
): Promise<Facts> {
  if (facts?.version === share.version) return facts
  // Facts of a later version than the gate's are those of a history that was lost.
  const kept =
    facts === undefined || facts.version > share.version
      ? emptyFacts(site, share)
      : forget(facts, await commit.changesSince(site, facts.version), share)
  return await commit.loadFacts(
    kept,
    entrants.flatMap(({ received }) => needsOfReceived(received)),
  )
}

/** A start after the clock at the gate cannot have happened; the receipt was stamped by a clock that ran ahead. */
function startsAfter({ decided }: Entrant, at: number): boolean {
  return decided.startedAt !== null && decided.startedAt > at
}

function decideAgain(entrants: readonly Entrant[], facts: Facts, at: number): Entrant[] {
  return entrants.map(({ received, isRetried }) => {
    const entrant = { received, isRetried, decided: decideReceived(received, facts) }
    if (!startsAfter(entrant, at)) return entrant
    return { ...entrant, decided: decideReceived({ ...received, receivedAt: at }, facts) }
  })
}

/**
 * Takes the upload keys. Where two of one batch share a key, the first stands for it and the other is answered by it.
 * A sender that may not speak for its station takes no key: it must not spoil those of another.
 */
async function settleKeys(
  commit: IntakeCommit,
  site: string,
  jobs: readonly Entrant[],
  results: CommitResult[],
): Promise<void> {
  const keys = new Map<string, KeyRow>()
  const nameOf = ({ station, uploadKey }: { station: string; uploadKey: string }) => `${station}\n${uploadKey}`
  const rowOf = ({ received, decided }: Entrant): KeyRow | undefined => {
    const { uploadKey } = received.read.claim
    if (decided.station === null || uploadKey === undefined) return undefined
    return {
      station: decided.station,
      uploadKey,
      digest: received.read.digest,
      uploadId: received.runId,
      receivedAt: received.receivedAt,
    }
  }
  const rows = jobs.map((job, index) => (results[index]?.kind === 'stored' ? rowOf(job) : undefined))
  for (const row of rows) {
    if (row !== undefined && !keys.has(nameOf(row))) keys.set(nameOf(row), row)
  }
  for (const taken of await commit.takeKeys(site, [...keys.values()])) keys.set(nameOf(taken), taken)
  for (const [index, row] of rows.entries()) {
    const first = row && keys.get(nameOf(row))
    // Its own id under the key, but nothing inserted now: an earlier COMMIT went through though its answer was lost.
    if (row === undefined || first === undefined || first === row) continue
    results[index] = { kind: first.digest === row.digest ? 'repeat' : 'conflict', first }
  }
}

/**
 * Of those that came again after a lost answer, the ones that are there already: nothing of them is appended twice. One
 * that took a key was found by it; one that took none is answered from its rows here.
 */
async function settlePresent(
  commit: IntakeCommit,
  site: string,
  jobs: readonly Entrant[],
  results: CommitResult[],
): Promise<ReadonlySet<string>> {
  const retried = jobs.filter(({ isRetried }) => isRetried)
  const present = await commit.presentUploads(
    site,
    retried.map(({ received }) => ({ receivedAt: received.receivedAt, uploadId: received.runId })),
  )
  for (const [index, { received }] of jobs.entries()) {
    if (results[index]?.kind !== 'stored' || !present.has(received.runId)) continue
    const { claim, digest } = received.read
    const first = { station: claim.station ?? '', uploadKey: claim.uploadKey ?? '', digest, uploadId: received.runId }
    results[index] = { kind: 'repeat', first: { ...first, receivedAt: received.receivedAt } }
  }
  return present
}

/**
 * Lets runs that need a deviation permit have it, as long as uses are left. All units of the commit are locked first, in
 * their order (architecture 1.3), and then the permits.
 */
async function usePermits(
  commit: IntakeCommit,
  { site, at, present }: { readonly site: string; readonly at: number; readonly present: ReadonlySet<string> },
  jobs: Entrant[],
  results: CommitResult[],
): Promise<void> {
  const asking = jobs.flatMap(({ received, decided }, index) => {
    const under = results[index]?.kind === 'stored' ? underPermits(decided) : undefined
    const { product } = received.read.claim
    if (under === undefined || product === undefined || decided.serial === null || present.has(received.runId))
      return []
    const use: PermitUse = { product, serial: decided.serial, runId: received.runId, permits: under.permits }
    return [{ index, under, use }]
  })
  if (asking.length === 0) return
  await commit.lockUnits(site, unitsOf(rowsOf(jobs, results, present, 0).attempts))
  const granted = await commit.takePermits(
    asking.map(({ use }) => use),
    at,
  )
  for (const [place, { index, under }] of asking.entries()) {
    const job = jobs[index]
    if (job === undefined || granted[place] !== true) continue
    jobs[index] = { ...job, decided: under.decided }
    results[index] = { kind: 'stored', stored: storedOf(job.received, under.decided), history: null }
  }
}

/** Each unit once. */
function unitsOf(attempts: readonly AttemptRow[]): UnitName[] {
  return [
    ...new Map(attempts.map(({ product, serial }) => [unitKey({ product, serial }), { product, serial }])).values(),
  ]
}

function rowsOf(
  jobs: readonly Entrant[],
  results: readonly CommitResult[],
  present: ReadonlySet<string>,
  rulesVersion: number,
): Omit<CommitRows, 'entry'> & { attempts: AttemptRow[] } {
  const rows = {
    uploads: [] as UploadRow[],
    runs: [] as CommitRows['runs'][number][],
    readings: [] as CommitRows['readings'][number][],
    attempts: [] as AttemptRow[],
  }
  const firstStatus = new Map<string, number>()
  for (const result of results) {
    if (result.kind === 'stored') firstStatus.set(result.stored.runId, statusOf(result.stored.outcome))
  }
  for (const [index, { received, decided }] of jobs.entries()) {
    const result = results[index]
    if (result?.kind === 'repeat' && received.batch !== undefined && !present.has(received.runId)) {
      const { first } = result
      // A first upload whose row is gone with its month keeps its key; then nothing but "received" can be said.
      const status = first.status ?? firstStatus.get(first.uploadId) ?? 200
      rows.uploads.push(repeatRow(received, storedOf(received, decided), first, status))
    }
    if (result?.kind === 'conflict' && !present.has(received.runId)) {
      const stored = storedOf(received, decided)
      const kept = { outcome: 'conflict', status: 409, startedAt: null, judgement: null } as const
      rows.uploads.push({ ...uploadRow(received, stored), ...kept })
      const bad = conflictAttemptRow(received, decided, stored)
      if (bad !== undefined) rows.attempts.push(bad)
    }
    if (result?.kind !== 'stored') continue
    const { stored } = result
    rows.uploads.push(uploadRow(received, stored))
    const run = runRow(received, stored, rulesVersion)
    if (run !== undefined) {
      rows.runs.push(run)
      for (const reading of readingRows(received, decided, run)) rows.readings.push(reading)
    }
    const attempt = attemptRow(received, decided, stored)
    if (attempt !== undefined) rows.attempts.push(attempt)
  }
  return rows
}

/** Locks the units, folds each once with its new attempts, and gives each run its answer, by place in the batch. */
async function foldHistories(
  commit: IntakeCommit,
  facts: Facts,
  share: GateShare,
  jobs: readonly Entrant[],
  results: readonly CommitResult[],
  attempts: readonly AttemptRow[],
): Promise<ReadonlyMap<number, HistoryAnswer>> {
  const added = new Map<string, AttemptRow[]>()
  for (const attempt of attempts) added.set(unitKey(attempt), [...(added.get(unitKey(attempt)) ?? []), attempt])
  const histories = await commit.lockUnits(facts.site, unitsOf(attempts))
  const worths = new Map<string, AttemptWorth>()
  for (const [index, { decided }] of jobs.entries()) {
    const result = results[index]
    const admission = decided.decision?.admission
    if (result?.kind === 'stored' && admission?.revision) {
      worths.set(result.stored.runId, withSteps(admission.worth, admission.revision.content))
    }
  }
  const answers = new Map<string, HistoryAnswer>()
  for (const [name, own] of added) {
    const { attempts: earlier = [], events = [] } = histories.get(name) ?? {}
    const all: Attempt[] = [...earlier, ...own]
    await loadWorths(commit, facts, governingRuns(all, events), worths)
    const product = own[0]?.product ?? ''
    const versions = factOf(facts, 'product', product)?.versions ?? []
    const policy: FoldPolicy = {
      operationsRequired: versionOfUnits(versions, share)?.content.operationsRequired ?? [],
      worthOf: ({ runId }) => worths.get(runId) ?? NO_WORTH,
    }
    const folded = foldUnit(all, policy, events)
    for (const attempt of folded.attempts) answers.set(attempt.attempt.runId, { attempt, release: folded.release })
  }
  const byPlace = new Map<number, HistoryAnswer>()
  for (const [index, result] of results.entries()) {
    const answer = result.kind === 'stored' ? answers.get(result.stored.runId) : undefined
    if (answer !== undefined) byPlace.set(index, answer)
  }
  return byPlace
}

/** Nothing carries it. */
const NO_WORTH: AttemptWorth = {
  suspect: true,
  suspectKinds: [],
  suspectSteps: [],
  isClosed: false,
  isSupported: false,
}

/** Asks what earlier runs that speak for an operation still rest on; few units have any. */
async function loadWorths(
  commit: IntakeCommit,
  facts: Facts,
  runs: readonly Attempt[],
  worths: Map<string, AttemptWorth>,
): Promise<void> {
  for (const run of runs) {
    if (!(run.outcome === 'accepted' || waitsForFacts(run)) || worths.has(run.runId)) continue
    const start = run.site === facts.site ? facts : emptyFacts(run.site, { version: 0, rulesVersion: 0 })
    const needs = needsOfAttempt(run)
    const loaded = missingNeeds(start, needs).length === 0 ? start : await commit.loadFacts(start, needs)
    worths.set(run.runId, worthOf(loaded, run))
  }
}

function withHistory(result: CommitResult, history: HistoryAnswer | undefined): CommitResult {
  return result.kind === 'stored' && history !== undefined ? { ...result, history } : result
}
