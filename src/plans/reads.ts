import { writeInstant } from '../exact/time.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import type { Finding } from './findings.ts'
import { readRuleBook, readRulesNow } from './reads-rules.ts'
import {
  type CheckAnswer,
  type CheckRecord,
  type InForceRecord,
  keyText,
  type Plan,
  planNotFound,
  type Revision,
  type RevisionKey,
  type RevisionRecord,
  revisionNotFound,
  writeCheck,
  writeRevision,
} from './record.ts'
import { checkContent } from './replay.ts'
import type { Block } from './step-blocks.ts'
import { type PlanRow, selectPlan, selectPlans, selectRevision, selectRevisions } from './store.ts'
import { countsOf, selectBlocks, selectCheck, selectFindings, selectNewestChecks } from './store-checks.ts'
import { selectInForceOf } from './store-in-force.ts'

/** @throws Problem `revision-not-found` */
export async function getRevision(sql: Sql, key: RevisionKey): Promise<Revision> {
  const record = await selectRevision(sql, key)
  if (record === undefined) throw revisionNotFound(key)
  return answerRevision(sql, record)
}

/** The answer for a revision just read or written: with where it is in force, and its newest check. */
export async function answerRevision(sql: Sql, record: RevisionRecord): Promise<Revision> {
  const [answer] = await answerRevisions(sql, [record])
  if (answer === undefined) throw new Error('one record gives one answer')
  return answer
}

/** The answers for revisions just read, in their order. */
export async function answerRevisions(sql: Sql, records: readonly RevisionRecord[]): Promise<Revision[]> {
  const inForce = new Map<string, InForceRecord[]>()
  for (const row of await selectInForceOf(sql, records)) {
    const rows = inForce.get(keyText(row))
    if (rows) rows.push(row)
    else inForce.set(keyText(row), [row])
  }
  const checks = new Map((await selectNewestChecks(sql, records)).map((check) => [keyText(check), check]))
  return records.map((record) => writeRevision(record, inForce.get(keyText(record)) ?? [], checks.get(keyText(record))))
}

/**
 * The revisions of a plan, ascending. One more than `limit` where there are more.
 * @throws Problem `plan-not-found`
 */
export async function listRevisions(
  sql: Sql,
  plan: string,
  page: { readonly after: number; readonly limit: number },
): Promise<Revision[]> {
  const records = await selectRevisions(sql, plan, { after: page.after, limit: page.limit + 1 })
  if (records.length === 0 && (await selectPlan(sql, plan, 0)) === undefined) throw planNotFound(plan)
  return answerRevisions(sql, records)
}

/** @throws Problem `plan-not-found` */
export async function getPlan(sql: Sql, plan: string, at: number): Promise<Plan> {
  const row = await selectPlan(sql, plan, at)
  if (row === undefined) throw planNotFound(plan)
  return writePlan(row)
}

/** Plans in order of their keys, with the revisions in force at `at`. One more than `limit` where there are more. */
export async function listPlans(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<Plan[]> {
  return (await selectPlans(sql, { after: page.after, limit: page.limit + 1 }, at)).map(writePlan)
}

/** A plan as it is answered. */
export function writePlan({ recordedAt, ...row }: PlanRow): Plan {
  return { ...row, recordedAt: writeInstant(recordedAt) }
}

/** The place of a finding in a list: the rules version of its check, and its number in there. */
export type FindingPlace = readonly [rulesVersion: number, ordinal: number]

export interface FindingsRead {
  readonly check: CheckAnswer
  readonly findings: readonly { readonly place: FindingPlace; readonly finding: Finding }[]
}

/**
 * What the newest check of a revision found, one more than `limit` where there is more. A draft has no check: it is
 * checked here, at `at`, and nothing is stored. A page after the first goes on with the check of the first.
 * @throws Problem `revision-not-found`, `cursor-invalid`
 */
export async function readFindings(
  database: Database,
  key: RevisionKey,
  page: { readonly after: FindingPlace | undefined; readonly limit: number; readonly at: number },
): Promise<FindingsRead> {
  const { sql } = database
  const newest = await newestCheck(sql, key)
  if (newest === undefined) return findingsOfDraft(database, key, page)
  const [rulesVersion, after] = page.after ?? [newest.rulesVersion, -1]
  const check = rulesVersion === newest.rulesVersion ? newest : await selectCheck(sql, key, rulesVersion)
  // Such a page began when the revision was a draft; what it goes on with was never stored.
  if (check === undefined) throw new Problem('cursor-invalid')
  const found = await selectFindings(sql, key, { rulesVersion, after, limit: page.limit + 1 })
  return {
    check: writeCheck(check),
    findings: found.map(({ ordinal, finding }) => ({ place: [rulesVersion, ordinal], finding })),
  }
}

async function findingsOfDraft(
  database: Database,
  key: RevisionKey,
  page: { readonly after: FindingPlace | undefined; readonly limit: number; readonly at: number },
): Promise<FindingsRead> {
  const record = await selectRevision(database.sql, key)
  if (record === undefined) throw revisionNotFound(key)
  const { rulesVersion } = await readRulesNow(database)
  const book = await readRuleBook(database, database.sql, rulesVersion, [record.product])
  const { verdict, editions, findings } = checkContent(record, book, page.at)
  const check = { ...key, rulesVersion, verdict, editions, ...countsOf(findings), checkedAt: page.at }
  const start = page.after === undefined ? 0 : page.after[1] + 1
  return {
    check: writeCheck(check),
    findings: findings
      .slice(start, start + page.limit + 1)
      .map((finding, index) => ({ place: [rulesVersion, start + index], finding })),
  }
}

async function newestCheck(sql: Sql, key: RevisionKey): Promise<CheckRecord | undefined> {
  const [check] = await selectNewestChecks(sql, [key])
  return check
}

/**
 * The blocks of a revision by its newest check, ascending.
 * @throws Problem `revision-not-found`
 */
export async function readBlocks(sql: Sql, key: RevisionKey): Promise<Block[]> {
  const check = await newestCheck(sql, key)
  if (check !== undefined) return (await selectBlocks(sql, [check])).get(keyText(key)) ?? []
  if ((await selectRevision(sql, key)) === undefined) throw revisionNotFound(key)
  return []
}
