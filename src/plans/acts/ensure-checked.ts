import { setImmediate as nextTurn } from 'node:timers/promises'
import { digestOf } from '../../exact/canonical.ts'
import type { Database } from '../../platform/database/pool.ts'
import { inTransaction, type Sql } from '../../platform/database/transaction.ts'
import { type GateShare, shareGate } from '../../platform/gate.ts'
import { checkPermits, type PermitToCheck } from '../permit-checks.ts'
import { preparedMemory } from '../prepared-memory.ts'
import { readRuleBook, warmRules } from '../reads-rules.ts'
import { keyText, type RevisionKey } from '../record.ts'
import { bringForward, type CheckedSoFar, type RuleBook } from '../replay.ts'
import {
  type HeldRevision,
  holdBehind,
  holdPageBehind,
  insertChecks,
  type NewCheck,
  selectBlocks,
  selectContents,
} from '../store-checks.ts'
import { selectPermitsInUse, updatePermitChecks } from '../store-permits.ts'

/** The house's row of the gate. */
const HOUSE = '*'

/** Revisions checked in one transaction: enough that its few statements cost little, few enough that it stays short. */
const PAGE_MAX = 200

/**
 * How long one transaction checks, milliseconds. It shares the gate, so acts wait for it, and behind them uploads. What
 * is done by then is stored, and the rest goes on in another.
 */
const CHECKING_TIME_MAX_MS = 250

export interface CheckingOptions {
  /** Instead of the usual time; zero makes one check in each transaction. */
  readonly timeMaxMs?: number
}

/**
 * Brings the checks of these revisions up to the house's rules version. Safe to call from several processes at once, and
 * with revisions that are checked already, ended, withdrawn or not there; drafts are left alone. When it resolves, each
 * has a check at the rules version of some instant during the call.
 */
export async function ensureChecked(
  database: Database,
  revisions: readonly RevisionKey[],
  { timeMaxMs = CHECKING_TIME_MAX_MS }: CheckingOptions = {},
): Promise<void> {
  if (revisions.length === 0) return
  await warmRules(database)
  for (let start = 0; start < revisions.length; start += PAGE_MAX) {
    let left = revisions.slice(start, start + PAGE_MAX)
    while (left.length > 0) {
      const asked = left
      left = await inTransaction(database, async (sql) => {
        const gate = await shareHouse(database, sql)
        return checkHeld(database, sql, gate, { held: await holdBehind(sql, asked, gate.rulesVersion), timeMaxMs })
      })
      await nextTurn()
    }
  }
}

/**
 * Checks one page of the live revisions that are behind and that nobody else is checking, or as many of it as time
 * allows; says whether there may be more.
 */
export async function checkPageBehind(
  database: Database,
  { timeMaxMs = CHECKING_TIME_MAX_MS }: CheckingOptions = {},
): Promise<'settled' | 'more'> {
  await warmRules(database)
  return inTransaction(database, async (sql) => {
    const gate = await shareHouse(database, sql)
    const held = await holdPageBehind(sql, { rulesVersion: gate.rulesVersion, at: gate.at, limit: PAGE_MAX })
    const left = await checkHeld(database, sql, gate, { held, timeMaxMs })
    return held.length < PAGE_MAX && left.length === 0 ? 'settled' : 'more'
  })
}

/** First and alone in the transaction: while it is shared, no act commits, and the rules version stands still. */
async function shareHouse(database: Database, sql: Sql): Promise<GateShare> {
  const gate = await shareGate(sql, database.clock, HOUSE)
  if (gate === undefined) throw new Error("the gate has no row '*'; are the migrations applied?")
  return gate
}

/**
 * Checks revisions that are held and behind, and appends checks, findings and blocks: all with the locks in hand. Gives
 * those that time did not suffice for; one step is made at least.
 */
async function checkHeld(
  database: Database,
  sql: Sql,
  { rulesVersion, at }: GateShare,
  { held, timeMaxMs }: { readonly held: readonly HeldRevision[]; readonly timeMaxMs: number },
): Promise<RevisionKey[]> {
  if (held.length === 0) return []
  const products = [...new Set(held.map(({ product }) => product))]
  const book = await readRuleBook(database, sql, rulesVersion, products)
  const startedMs = performance.now()
  const hasPassed = (ms: number) => performance.now() - startedMs >= ms
  // What is made ready is kept, so that more time than this would be spent only once; but some is needed for checking.
  const reads = await readPrepared(sql, { held, rulesVersion, isLate: () => hasPassed(timeMaxMs / 2) })
  const blocks = await selectBlocks(sql, held.flatMap(lastChecked))
  const revisions = [...reads].map(([revision, read]) => checkedSoFar(revision, read, blocks.get(keyText(revision))))
  const brought = bringForward(revisions, book, {
    tellFailure({ key }, error) {
      database.log.error({ err: error, ...key }, 'A revision could not be checked and is blocked.')
    },
    isLate: () => hasPassed(timeMaxMs),
  })
  const checks = [...brought].map(([{ key }, made]): NewCheck => ({ ...key, ...made }))
  await insertChecks(sql, checks, at)
  const done = new Set(checks.filter((check) => check.rulesVersion === rulesVersion).map(keyText))
  await checkPermitsOf(database, sql, { held: held.filter((one) => done.has(keyText(one))), reads, book, at })
  return held.filter((revision) => !done.has(keyText(revision))).map(({ plan, revision }) => ({ plan, revision }))
}

/**
 * Checks the permits of revisions that were just brought to the book's version, in the same transaction: where a revision
 * has a check at a rules version, its permits have one too.
 */
async function checkPermitsOf(
  database: Database,
  sql: Sql,
  asked: {
    readonly held: readonly HeldRevision[]
    readonly reads: ReadonlyMap<HeldRevision, CheckedSoFar['read']>
    readonly book: RuleBook
    readonly at: number
  },
): Promise<void> {
  const { held, reads, book, at } = asked
  const approved = held.filter(({ state }) => state === 'approved')
  if (approved.length === 0) return
  const contents = new Map(
    approved.flatMap((revision) => {
      const read = reads.get(revision)
      return read !== undefined && 'prepared' in read ? [[keyText(revision), read.prepared.content] as const] : []
    }),
  )
  const permits = (await selectPermitsInUse(sql, approved, at)).flatMap((record): PermitToCheck[] => {
    const content = contents.get(keyText(record))
    return content === undefined || record.validFrom === null ? [] : [{ record, content, from: record.validFrom }]
  })
  const checks = checkPermits(permits, book, (permit, error) => {
    database.log.error({ err: error, permit }, 'A permit could not be checked and is blocked.')
  })
  await updatePermitChecks(sql, checks, book.rulesVersion)
}

/** The check whose blocks are the ones so far; none in review, where nothing is blocked yet. */
export function lastChecked({ plan, revision, state, checkedVersion }: HeldRevision) {
  return state === 'in-review' || checkedVersion === null ? [] : [{ plan, revision, rulesVersion: checkedVersion }]
}

export interface KeyedRevision extends CheckedSoFar {
  readonly key: RevisionKey
}

export function checkedSoFar(
  held: HeldRevision,
  read: CheckedSoFar['read'],
  blocks: CheckedSoFar['blocks'],
): KeyedRevision {
  const { plan, revision, state, product, submittedAt, inForceFrom, checkedVersion, approvedVersion } = held
  const key = { plan, revision }
  const from = state === 'in-review' ? submittedAt : inForceFrom
  if (from === null) throw new Error(`revision ${revision} of ${plan} is ${state} without an instant`)
  if (state === 'in-review') return { key, product, read, from, checkedVersion, blocks: undefined }
  return { key, product, read, from, checkedVersion: checkedVersion ?? approvedVersion, blocks: blocks ?? [] }
}

/** Of this process, whatever database: it is known by digests. */
const memory = preparedMemory()

/** Characters of content read at once: a page of usual plans; a few of the largest. */
const CONTENT_MAX = 4_000_000

interface ToRead {
  readonly held: readonly HeldRevision[]
  readonly rulesVersion: number
  readonly isLate: () => boolean
}

/** Those of the revisions that room and time suffice for, one at least. */
export async function readPrepared(
  sql: Sql,
  { held, rulesVersion, isLate }: ToRead,
): Promise<Map<HeldRevision, CheckedSoFar['read']>> {
  const reads = new Map<HeldRevision, CheckedSoFar['read']>()
  const unknown: HeldRevision[] = []
  for (const revision of held) {
    const prepared = memory.recall(revision.digest, rulesVersion)
    if (prepared === undefined) unknown.push(revision)
    else reads.set(revision, { prepared })
  }
  if (unknown.length === 0) return reads
  const contents = await selectContents(sql, unknown, CONTENT_MAX)
  for (const revision of unknown) {
    const content = contents.get(keyText(revision))
    if (content === undefined) continue
    reads.set(revision, prepareStored(content, revision.digest, rulesVersion))
    if (isLate()) break
  }
  return reads
}

/** INVARIANT: what is checked is what was signed; content that lost its digest is blocked like any that is unreadable. */
function prepareStored(content: string, digest: string, rulesVersion: number): CheckedSoFar['read'] {
  if (digestOf(content) !== digest) return { refused: 'its digest does not fit' }
  return memory.prepare({ content, digest, rulesVersion })
}
