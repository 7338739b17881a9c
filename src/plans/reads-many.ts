import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import type { RevisionCheck } from './check.ts'
import { answerRevisions, type FindingPlace, type FindingsRead, writePlan } from './reads.ts'
import { readRuleBook, readRulesNow } from './reads-rules.ts'
import { keyText, type Plan, type Revision, type RevisionKey, type RevisionRecord, writeCheck } from './record.ts'
import { checkContent } from './replay.ts'
import type { Block } from './step-blocks.ts'
import {
  selectNumbersBefore,
  selectPlansNamed,
  selectPlansOf,
  selectRevisionsNamed,
  selectRevisionsOf,
} from './store.ts'
import { countsOf, selectBlocks, selectFindingsOf, selectNewestChecks } from './store-checks.ts'

/** The questions of `reads.ts` for many plans or revisions at once, each in as many statements as for one. */

/** The plans named, in no order, with the revisions in force at `at`; those that are not there are left out. */
export async function readPlans(sql: Sql, plans: readonly string[], at: number): Promise<Plan[]> {
  return (await selectPlansNamed(sql, plans, at)).map(writePlan)
}

/** The same page of plans of each of these products. One more than `limit` where there are more. */
export async function readPlansOf(
  sql: Sql,
  products: readonly string[],
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<Plan[]> {
  return (await selectPlansOf(sql, products, { after: page.after, limit: page.limit + 1 }, at)).map(writePlan)
}

/** The revisions named, in no order; those that are not there are left out. */
export async function readRevisions(sql: Sql, keys: readonly RevisionKey[]): Promise<Revision[]> {
  return answerRevisions(sql, await selectRevisionsNamed(sql, keys))
}

/** The same with their stored content, by `keyText`. */
export async function readRevisionRecords(
  sql: Sql,
  keys: readonly RevisionKey[],
): Promise<ReadonlyMap<string, RevisionRecord>> {
  return new Map((await selectRevisionsNamed(sql, keys)).map((record) => [keyText(record), record]))
}

/** The number of the revision before each of these in its plan, in whatever state, by `keyText`; none before a first. */
export async function readNumbersBefore(sql: Sql, keys: readonly RevisionKey[]): Promise<ReadonlyMap<string, number>> {
  return new Map((await selectNumbersBefore(sql, keys)).map((row) => [keyText(row), row.before]))
}

/** The same page of revisions of each of these plans, ascending. One more than `limit` where there are more. */
export async function readRevisionsOf(
  sql: Sql,
  plans: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<Revision[]> {
  return answerRevisions(sql, await selectRevisionsOf(sql, plans, { after: page.after, limit: page.limit + 1 }))
}

/**
 * The first page of what the newest check of each revision found, by `keyText`; one more than `limit` where there is
 * more. Drafts have no check: they are checked here, at `at`, and nothing is stored.
 */
export async function readFirstFindings(
  database: Database,
  keys: readonly RevisionKey[],
  page: { readonly limit: number; readonly at: number },
): Promise<ReadonlyMap<string, FindingsRead>> {
  const { sql } = database
  const checks = await selectNewestChecks(sql, keys)
  const rows = await selectFindingsOf(sql, checks, { after: -1, limit: page.limit + 1 })
  const read = new Map<string, { check: FindingsRead['check']; findings: FindingsRead['findings'][number][] }>()
  for (const check of checks) read.set(keyText(check), { check: writeCheck(check), findings: [] })
  for (const { ordinal, finding, ...key } of rows) {
    const found = read.get(keyText(key))
    if (found) found.findings.push({ place: [found.check.rulesVersion, ordinal], finding })
  }
  const drafts = await selectRevisionsNamed(
    sql,
    keys.filter((key) => !read.has(keyText(key))),
  )
  if (drafts.length === 0) return read
  const { rulesVersion } = await readRulesNow(database)
  const products = [...new Set(drafts.map(({ product }) => product))]
  const book = await readRuleBook(database, sql, rulesVersion, products)
  for (const draft of drafts) {
    const { verdict, editions, findings } = checkContent(draft, book, page.at)
    const { plan, revision } = draft
    const check = { plan, revision, rulesVersion, verdict, editions, ...countsOf(findings), checkedAt: page.at }
    const places = findings.map((finding, index) => ({ place: [rulesVersion, index] as FindingPlace, finding }))
    read.set(keyText(draft), { check: writeCheck(check), findings: places.slice(0, page.limit + 1) })
  }
  return read
}

/**
 * What rules and physics say of these contents by the rules version of now, from now on; nothing is stored.
 * @param records of one product
 */
export async function checkRecordsNow(
  database: Database,
  records: readonly RevisionRecord[],
): Promise<{ readonly rulesVersion: number; readonly at: number; readonly checks: readonly RevisionCheck[] }> {
  const { rulesVersion, at } = await readRulesNow(database)
  const products = [...new Set(records.map(({ product }) => product))]
  const book = await readRuleBook(database, database.sql, rulesVersion, products)
  return { rulesVersion, at, checks: records.map((record) => checkContent(record, book, at)) }
}

/** The blocks of each revision by its newest check, ascending, by `keyText`; none before the first check. */
export async function readBlocksOf(sql: Sql, keys: readonly RevisionKey[]): Promise<ReadonlyMap<string, Block[]>> {
  return selectBlocks(sql, await selectNewestChecks(sql, keys))
}
