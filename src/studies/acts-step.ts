import { digestOf } from '../exact/canonical.ts'
import { writeInstant } from '../exact/time.ts'
import { readUpload } from '../intake/read-upload.ts'
import type { JudgementText } from '../intake/stored.ts'
import { type InstrumentState, NOTHING_KNOWN } from '../judging/acceptance.ts'
import { type CompiledRevision, compiledRevision } from '../judging/compile.ts'
import type { Upload } from '../judging/words.ts'
import { getRevision } from '../plans/reads.ts'
import { readRevisions } from '../plans/reads-many.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction, type Sql } from '../platform/database/transaction.ts'
import { getCalibration } from '../stations/reads.ts'
import type { ShipState } from '../units/event-words.ts'
import { compareEvents, shipStateAt } from '../units/events.ts'
import { readHistories, unitKey } from '../units/reads.ts'
import type { UnitName } from '../units/words.ts'
import { readTightened, type Tightened } from './reads-edition.ts'
import type { EditionScope, FindingRow, Scope, StudyRecord } from './record.ts'
import { type Rejudged, rejudgeByRevision, rejudgeCorrected, rejudgeTightened, type StoredRun } from './rejudge.ts'
import { isUnchanged, type Screen, screenBetween } from './screen.ts'
import {
  type AskedRun,
  countRunsAfter,
  holdWaiting,
  insertFindings,
  isAnyWaiting,
  selectRaw,
  selectRunsAfter,
  updateStudy,
} from './store.ts'
import type { StudyFailure } from './words.ts'

/** Runs looked at in one transaction: their judgements and bytes are all that is in memory of a study. */
const PAGE_MAX = 1_000

/** Runs counted in one transaction: an act that waits for the study waits no longer than that. */
const COUNT_MAX = 50_000

/**
 * Takes one page of the study asked for first that no other process has in hand. Findings and the place to go on from
 * are one transaction, so a process that dies leaves a page that another does again from its beginning.
 */
export async function studyPage(
  database: Database,
  { judged: limit = PAGE_MAX, counted = COUNT_MAX } = {},
): Promise<'settled' | 'more'> {
  if (!(await isAnyWaiting(database.sql))) return 'settled'
  return inTransaction(database, async (sql) => {
    const record = await holdWaiting(sql)
    if (record === undefined) return 'settled'
    if (record.state === 'queued') {
      const { count, last } = await countRunsAfter(sql, record.scope, { after: record.cursor, limit: counted })
      const state = last === null ? 'running' : 'queued'
      await updateStudy(sql, { ...record, state, total: record.total + count, cursor: last })
      return 'more'
    }
    const page = await lookAtPage(sql, record, limit)
    const endedAt = page.state === 'running' ? null : await nowOf(database, sql)
    await updateStudy(sql, { ...record, ...page, endedAt })
    return 'more'
  })
}

async function nowOf(database: Database, sql: Sql): Promise<number> {
  const [row] = await sql.query<{ now: number }>(
    'SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now',
    [],
    'studies_now',
  )
  if (row === undefined) throw new Error('the database did not tell the time')
  return database.clock.read(row.now)
}

type Progress = Pick<StudyRecord, 'state' | 'failure' | 'done' | 'found' | 'cursor' | 'digest'>

async function lookAtPage(sql: Sql, record: StudyRecord, limit: number): Promise<Progress> {
  const { scope, done, found, cursor, digest } = record
  const so = { done, found, cursor, digest }
  const { runs, last } = await selectRunsAfter(sql, scope, { after: cursor, limit })
  if (last === null) return { ...so, state: 'done', failure: null }
  const judged = await judgeAgain(sql, scope, runs)
  if ('failure' in judged) return { ...so, state: 'failed', failure: judged.failure }
  const rows = await findingsOf(sql, judged.listed, found)
  await insertFindings(sql, record.study, rows)
  return {
    state: 'running',
    failure: null,
    done: done + runs.length,
    found: found + rows.length,
    cursor: last,
    // A chain: the digest of all so far covers each finding once, in order, and a page reads none of the earlier ones.
    digest: rows.reduce((chain, { finding }) => digestOf(`${chain}\n${JSON.stringify(finding)}`), digest),
  }
}

interface Listed {
  readonly run: AskedRun
  readonly again: Rejudged
}

type Judged = { readonly listed: readonly Listed[] } | { readonly failure: StudyFailure }

async function judgeAgain(sql: Sql, scope: Scope, runs: readonly AskedRun[]): Promise<Judged> {
  const revisions = await readRevisionsFor(sql, scope, runs)
  if (
    scope.kind === 'revision-change' &&
    (revisions.get(scope.to)?.digest !== scope.toDigest || revisions.get(scope.revision)?.digest !== scope.fromDigest)
  ) {
    return { failure: 'content-changed' }
  }
  const tightened = scope.kind === 'edition-change' ? await readTightenedFor(sql, scope, runs, revisions) : NOTHING
  if (tightened === 'content-changed') return { failure: tightened }
  const screens = new Map<string, Screen | null>()
  const left = runs.flatMap((run) => {
    const stored = storedOf(run)
    const isLeftOut =
      (scope.kind === 'revision-change' && isScreened(stored, run, { scope, revisions, screens })) ||
      (scope.kind === 'edition-change' && isKept(stored, tightened(run)))
    return isLeftOut ? [] : [{ run, stored }]
  })
  const raw = await selectRaw(
    sql,
    left.map(({ run }) => run),
  )
  const instruments = await readInstruments(
    sql,
    left.map(({ run }) => run),
  )
  const listed: Listed[] = []
  for (const { run, stored } of left) {
    const upload = uploadOf(raw.get(run.runId))
    if (upload === undefined) return { failure: 'upload-unreadable' }
    const instrument = instruments.get(run.calibration ?? '') ?? NOTHING_KNOWN
    const again = againOf(scope, { run, stored, upload, instrument, tightened: tightened(run) }, revisions)
    if (again !== undefined) listed.push({ run, again })
  }
  return { listed }
}

function againOf(
  scope: Scope,
  at: {
    readonly run: AskedRun
    readonly stored: StoredRun
    readonly upload: Upload
    readonly instrument: InstrumentState
    readonly tightened: Tightened | undefined
  },
  revisions: Revisions,
): Rejudged | undefined {
  const { run, stored, upload, instrument, tightened } = at
  if (scope.kind === 'edition-change')
    return tightened && rejudgeTightened(stored, upload, { ...tightened, instrument })
  if (scope.kind === 'revision-change') {
    const to = compiledOf(revisions, scope.to, run)
    return to === undefined ? lostVariant() : rejudgeByRevision(stored, upload, { to, instrument })
  }
  const asFound = scope.errors.filter(({ since }) => run.startedAt >= since).map((one) => one.asFound)
  const revision = compiledOf(revisions, revisionName(run), run)
  if (revision === undefined)
    throw new Error(`run ${run.runId} was judged by a revision without limits for its variant`)
  return rejudgeCorrected(stored, upload, { revision, instrument, asFound })
}

/** The later revision names no limit for the variant: by it the run is no test at all. */
function lostVariant(): Rejudged {
  return { verdictAfter: 'invalid', measurements: [], beyond: '0' }
}

function storedOf({ verdict, judgement }: AskedRun): StoredRun {
  const text: JudgementText = JSON.parse(judgement)
  return { verdict, steps: text.steps }
}

/** Only what was accepted is asked about, and that could be read once. */
function uploadOf(raw: Buffer | undefined): Upload | undefined {
  const read = raw && readUpload(raw)
  return read?.kind === 'read' ? read.upload : undefined
}

// ------------------------------------------------------------------------------------------------ what runs are judged by

/** By number for a change of revisions, else by plan and number. */
type Revisions = ReadonlyMap<number | string, Revision>

async function readRevisionsFor(sql: Sql, scope: Scope, runs: readonly AskedRun[]): Promise<Revisions> {
  const revisions = new Map<number | string, Revision>()
  if (scope.kind === 'revision-change') {
    for (const revision of [scope.revision, scope.to]) {
      revisions.set(revision, await getRevision(sql, { plan: scope.plan, revision }))
    }
    return revisions
  }
  const asked = new Map(runs.map((run) => [revisionName(run), { plan: run.plan, revision: run.revision }]))
  for (const one of await readRevisions(sql, [...asked.values()])) revisions.set(revisionName(one), one)
  return revisions
}

function revisionName({ plan, revision }: RevisionKey): string {
  return `${plan}/${revision}`
}

/** Undefined where the revision has no limit for the variant. */
function compiledOf(revisions: Revisions, name: number | string, run: AskedRun): CompiledRevision | undefined {
  const revision = revisions.get(name)
  if (revision === undefined) throw new Error(`revision ${name} was not read`)
  const compiled = compiledRevision(revision.content, run.variant)
  return 'missing' in compiled ? undefined : compiled
}

const NOTHING = () => undefined

/** Whether nothing that an edition demands can change what became of the run. */
function isKept(stored: StoredRun, tightened: Tightened | undefined): boolean {
  return tightened === undefined || (tightened.screen !== null && isUnchanged(tightened.screen, stored))
}

function readTightenedFor(sql: Sql, scope: EditionScope, runs: readonly AskedRun[], revisions: Revisions) {
  const asked = runs.flatMap((run) => {
    const revision = revisions.get(revisionName(run))
    return revision === undefined ? [] : [{ run, revision }]
  })
  return readTightened(sql, scope, asked)
}

function isScreened(
  stored: StoredRun,
  run: AskedRun,
  {
    scope,
    revisions,
    screens,
  }: {
    readonly scope: Extract<Scope, { kind: 'revision-change' }>
    readonly revisions: Revisions
    readonly screens: Map<string, Screen | null>
  },
): boolean {
  let screen = screens.get(run.variant)
  if (screen === undefined) {
    const from = compiledOf(revisions, scope.revision, run)
    const to = compiledOf(revisions, scope.to, run)
    screen = from === undefined || to === undefined ? null : screenBetween(from, to)
    screens.set(run.variant, screen)
  }
  return screen !== null && isUnchanged(screen, stored)
}

async function readInstruments(sql: Sql, runs: readonly AskedRun[]): Promise<Map<string, InstrumentState>> {
  const instruments = new Map<string, InstrumentState>()
  for (const { calibration } of runs) {
    if (calibration === null || instruments.has(calibration)) continue
    instruments.set(calibration, { uncertainty: (await getCalibration(sql, calibration)).uncertainty })
  }
  return instruments
}

// ------------------------------------------------------------------------------------------------ findings

async function findingsOf(sql: Sql, listed: readonly Listed[], found: number): Promise<FindingRow[]> {
  const shipStates = await readShipStates(
    sql,
    listed.map(({ run }) => run),
  )
  return listed.map(({ run, again }, index): FindingRow => {
    const { runId, site, station, instrument, product, variant, serial, plan, revision, verdict } = run
    const shipState = shipStates.get(unitKey(run)) ?? 'in-plant'
    const finding = {
      ordinal: found + index + 1,
      runId,
      site,
      station,
      instrument,
      startedAt: writeInstant(run.startedAt),
      product,
      variant,
      serial,
      plan,
      revision,
      shipState,
      verdictBefore: verdict,
      verdictAfter: again.verdictAfter,
      measurements: again.measurements,
    }
    return { finding, beyond: again.beyond }
  })
}

/** Where units are by all that is recorded now. */
async function readShipStates(sql: Sql, units: readonly UnitName[]): Promise<Map<string, ShipState>> {
  if (units.length === 0) return new Map()
  const histories = await readHistories(sql, units)
  return new Map([...histories].map(([key, { events }]) => [key, shipStateAt(events.toSorted(compareEvents))]))
}
