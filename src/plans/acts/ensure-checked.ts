import { digestOf } from '../../exact/canonical.ts'
import type { Database } from '../../platform/database/pool.ts'
import { inTransaction, type Sql } from '../../platform/database/transaction.ts'
import { type GateShare, shareGate } from '../../platform/gate.ts'
import { type PreparedRevision, prepareRevision } from '../prepare.ts'
import { readRuleBook } from '../reads-rules.ts'
import type { RevisionKey } from '../record.ts'
import { bringForward, type CheckedSoFar } from '../replay.ts'
import {
  type HeldRevision,
  holdBehind,
  holdPageBehind,
  insertChecks,
  keyText,
  selectBlocks,
  selectContents,
} from '../store-checks.ts'

/** The house's row of the gate. */
const HOUSE = '*'

/** Revisions checked in one transaction: enough that its few statements cost little, few enough that it stays short. */
export const PAGE_MAX = 200

/**
 * Brings the checks of these revisions up to the house's rules version. Safe to call from several processes at once, and
 * with revisions that are checked already, ended, withdrawn or not there; drafts are left alone. When it resolves, each
 * has a check at the rules version of some instant during the call.
 */
export async function ensureChecked(database: Database, revisions: readonly RevisionKey[]): Promise<void> {
  for (let start = 0; start < revisions.length; start += PAGE_MAX) {
    const page = revisions.slice(start, start + PAGE_MAX)
    await inTransaction(database, async (sql) => {
      const gate = await shareHouse(database, sql)
      await checkHeld(database, sql, gate, await holdBehind(sql, page, gate.rulesVersion))
    })
  }
}

/** Checks one page of the live revisions that are behind and that nobody else is checking; gives how many there were. */
export function checkPageBehind(database: Database): Promise<number> {
  return inTransaction(database, async (sql) => {
    const gate = await shareHouse(database, sql)
    const asked = { rulesVersion: gate.rulesVersion, at: gate.at, limit: PAGE_MAX }
    const held = await holdPageBehind(sql, asked)
    await checkHeld(database, sql, gate, held)
    return held.length
  })
}

/** First and alone in the transaction: while it is shared, no act commits, and the rules version stands still. */
async function shareHouse(database: Database, sql: Sql): Promise<GateShare> {
  const gate = await shareGate(sql, database.clock, HOUSE)
  if (gate === undefined) throw new Error("the gate has no row '*'; are the migrations applied?")
  return gate
}

/** Checks revisions that are held and behind, and appends checks, findings and blocks: all with the locks in hand. */
async function checkHeld(database: Database, sql: Sql, gate: GateShare, held: readonly HeldRevision[]): Promise<void> {
  if (held.length === 0) return
  const { rulesVersion, at } = gate
  const products = [...new Set(held.map(({ product }) => product))]
  const book = await readRuleBook(database, sql, rulesVersion, products)
  const reads = await readPrepared(sql, held)
  const blocks = await selectBlocks(sql, held.flatMap(lastChecked))
  const revisions = held.map((revision) => checkedSoFar(revision, reads.get(revision), blocks.get(keyText(revision))))
  const brought = bringForward(revisions, book, ({ key }, error) => {
    database.log.error({ err: error, ...key }, 'A revision could not be checked and is blocked.')
  })
  const checks = [...brought].map(([{ key }, { check, blocks: after }]) => ({ ...key, check, blocks: after }))
  await insertChecks(sql, checks, { rulesVersion, at })
}

/** The check whose blocks are the ones so far; none in review, where nothing is blocked yet. */
function lastChecked({ plan, revision, state, checkedVersion }: HeldRevision) {
  return state === 'in-review' || checkedVersion === null ? [] : [{ plan, revision, rulesVersion: checkedVersion }]
}

interface KeyedRevision extends CheckedSoFar {
  readonly key: RevisionKey
}

function checkedSoFar(
  held: HeldRevision,
  read: CheckedSoFar['read'] | undefined,
  blocks: CheckedSoFar['blocks'],
): KeyedRevision {
  const { plan, revision, state, product, submittedAt, inForceFrom, checkedVersion, approvedVersion } = held
  const key = { plan, revision }
  if (read === undefined) throw new Error(`revision ${revision} of ${plan} is held but has no content`)
  const from = state === 'in-review' ? submittedAt : inForceFrom
  if (from === null) throw new Error(`revision ${revision} of ${plan} is ${state} without an instant`)
  if (state === 'in-review') return { key, product, read, from, checkedVersion, blocks: undefined }
  return { key, product, read, from, checkedVersion: checkedVersion ?? approvedVersion, blocks: blocks ?? [] }
}

/** Content made ready, by its digest, so that a sweep soon after another reads none of it anew. */
const preparedByDigest = new Map<string, PreparedRevision>()
const PREPARED_MAX = 2_000

async function readPrepared(sql: Sql, held: readonly HeldRevision[]): Promise<Map<HeldRevision, CheckedSoFar['read']>> {
  const reads = new Map<HeldRevision, CheckedSoFar['read']>()
  const unknown: HeldRevision[] = []
  for (const revision of held) {
    const prepared = preparedByDigest.get(revision.digest)
    if (prepared === undefined) unknown.push(revision)
    else reads.set(revision, { prepared })
  }
  const contents = unknown.length === 0 ? new Map<string, string>() : await selectContents(sql, unknown)
  for (const revision of unknown) {
    const read = prepareStored(contents.get(keyText(revision)), revision.digest)
    reads.set(revision, read)
    if ('prepared' in read && preparedByDigest.size < PREPARED_MAX) preparedByDigest.set(revision.digest, read.prepared)
  }
  return reads
}

/** INVARIANT: what is checked is what was signed; content that lost its digest is blocked like any that is unreadable. */
function prepareStored(content: string | undefined, digest: string): CheckedSoFar['read'] {
  if (content === undefined || digestOf(content) !== digest) return { refused: 'its digest does not fit' }
  return prepareRevision(JSON.parse(content))
}
