import { setImmediate as nextTurn } from 'node:timers/promises'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { checkedSoFar, lastChecked, readPrepared } from './acts/ensure-checked.ts'
import {
  bookWith,
  type EditionToCome,
  type Reached,
  type ReachedKey,
  reachPermit,
  reachRevision,
} from './impact-checks.ts'
import type { PermitRecord } from './permit-record.ts'
import { readRuleBook, readRulesNow } from './reads-rules.ts'
import { keyText, type RevisionKey } from './record.ts'
import type { CheckedSoFar } from './replay.ts'
import { countLive, type HeldRevision, selectBlocks, selectLiveAfter } from './store-checks.ts'
import { selectPermitsInUse } from './store-permits.ts'

export interface ImpactPage {
  readonly reached: readonly ReachedKey[]
  /** Revisions looked at. */
  readonly checked: number
  /** The last of them; null where there are no more. */
  readonly last: RevisionKey | null
}

/** So long nothing else of this process gets its turn, milliseconds; a single check is never cut. */
const TURN_MS = 20

/** How many revisions are live: in review, or approved and not ended at `at`. */
export const countLiveRevisions = countLive

/**
 * What an edition would do to the next live revisions and to their permits, were it published after the rules version.
 * Nothing is stored and no gate is shared. `rules-changed` where other rules are in the house by now, of which the answer
 * would say nothing.
 */
export async function readImpactPage(
  database: Database,
  sql: Sql,
  asked: {
    readonly edition: EditionToCome
    readonly rulesVersion: number
    /** Revisions that had not ended at this instant are live. */
    readonly at: number
    readonly after: RevisionKey | null
    readonly limit: number
    readonly timeMaxMs: number
  },
): Promise<ImpactPage | 'rules-changed'> {
  const { edition, rulesVersion, at, after, limit, timeMaxMs } = asked
  const isOther = async () => (await readRulesNow({ sql, clock: database.clock })).rulesVersion !== rulesVersion
  // Before the book is read, since an older one than is remembered would be read anew.
  if (await isOther()) return 'rules-changed'
  const rows = await selectLiveAfter(sql, { at, after, limit })
  const book = await readRuleBook(
    database,
    sql,
    rulesVersion,
    rows.map(({ product }) => product),
  )
  const startedMs = performance.now()
  const hasPassed = (ms: number) => performance.now() - startedMs >= ms
  const reads = await readPrepared(sql, { held: rows, rulesVersion, isLate: () => hasPassed(timeMaxMs / 2) })
  const blocks = await selectBlocks(sql, rows.flatMap(lastChecked))
  const permits = await readPermits(sql, rows, at)
  // Behind the last read: whatever was read is of this rules version.
  if (await isOther()) return 'rules-changed'
  const next = bookWith(book, edition)
  const reached: ReachedKey[] = []
  let checked = 0
  let turnMs = performance.now()
  for (const row of rows) {
    const read = reads.get(row) ?? (checked === 0 ? await readAlone(sql, row, rulesVersion) : undefined)
    if (read === undefined || (checked > 0 && hasPassed(timeMaxMs))) break
    const { plan, revision, product } = row
    const tellFailure = (error: unknown) =>
      database.log.error({ err: error, plan, revision }, 'A revision could not be checked with an edition to come.')
    const found = reachRevision(checkedSoFar(row, read, blocks.get(keyText(row))), { book, next, tellFailure })
    if (found !== undefined) reached.push({ ...found, plan, revision, product, permit: null })
    const own = found?.kind === 'uncheckable' ? [] : (permits.get(keyText(row)) ?? [])
    for (const [permit, one] of reachPermits(read, own, { book, next, tellFailure })) {
      reached.push({ ...one, plan, revision, product, permit })
    }
    checked += 1
    if (performance.now() - turnMs < TURN_MS) continue
    await nextTurn()
    turnMs = performance.now()
  }
  const isLast = checked === rows.length && rows.length < limit
  return { reached, checked, last: isLast ? null : keyOf(rows[checked - 1]) }
}

async function readPermits(sql: Sql, rows: readonly HeldRevision[], at: number): Promise<Map<string, PermitRecord[]>> {
  const approved = rows.filter(({ state }) => state === 'approved')
  const permits = new Map<string, PermitRecord[]>()
  if (approved.length === 0) return permits
  for (const record of await selectPermitsInUse(sql, approved, at)) {
    permits.set(keyText(record), [...(permits.get(keyText(record)) ?? []), record])
  }
  return permits
}

/** Permits that would be beyond the rules before they end. Of a revision that cannot be read, it is said of the revision. */
function reachPermits(
  read: CheckedSoFar['read'],
  records: readonly PermitRecord[],
  books: Parameters<typeof reachPermit>[1],
): [string, Reached][] {
  if (!('prepared' in read)) return []
  return records.flatMap((record): [string, Reached][] => {
    if (record.validFrom === null) return []
    const found = reachPermit({ record, content: read.prepared.content, from: record.validFrom }, books)
    return found === undefined || found.from >= record.validUntil ? [] : [[record.permit, found]]
  })
}

/** The first of a page is read whatever its size, so that every page gets on. */
async function readAlone(sql: Sql, row: HeldRevision, rulesVersion: number): Promise<CheckedSoFar['read']> {
  const read = (await readPrepared(sql, { held: [row], rulesVersion, isLate: () => true })).get(row)
  if (read === undefined) throw new Error(`the content of ${keyText(row)} is not there`)
  return read
}

function keyOf(row: HeldRevision | undefined): RevisionKey | null {
  return row === undefined ? null : { plan: row.plan, revision: row.revision }
}
