import { readRulesNow } from '../plans/reads-rules.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { impactNotFound } from '../rules/impacts.ts'
import { readImpacts as readRecords } from '../rules/reads-impacts.ts'
import { type ImpactAlone, writeImpact } from './record.ts'
import { selectFindingsOf } from './store.ts'
import type { Impact, ImpactFinding } from './words.ts'

/** Findings in the answer for an impact itself. */
const FIRST_MAX = 50

/** @throws Problem `impact-not-found` */
export async function getImpact(database: Database, impact: string): Promise<Impact> {
  const [alone] = await readImpacts(database, [impact])
  if (alone === undefined) throw impactNotFound(impact)
  return { ...alone, findings: await listed(database.sql, impact, { after: 0, limit: FIRST_MAX - 1 }) }
}

/** Those of the keys that there are, in any order. */
export async function readImpacts(database: Database, impacts: readonly string[]): Promise<ImpactAlone[]> {
  const { rulesVersion } = await readRulesNow(database)
  return (await readRecords(database.sql, impacts)).map((record) => writeImpact(record, rulesVersion))
}

/**
 * What was found so far, in order of plans and revisions; one more than `limit` where there are more.
 * @throws Problem `impact-not-found`
 */
export async function listImpactFindings(
  sql: Sql,
  impact: string,
  page: { readonly after: number; readonly limit: number },
): Promise<ImpactFinding[]> {
  const findings = await listed(sql, impact, page)
  if (findings.length === 0 && (await readRecords(sql, [impact])).length === 0) throw impactNotFound(impact)
  return findings
}

async function listed(sql: Sql, impact: string, page: { readonly after: number; readonly limit: number }) {
  return (await selectFindingsOf(sql, [impact], page)).map(({ impact: _, ...finding }) => finding)
}

/** The same of many impacts; of each one more than `limit` where there are more. */
export const readFindingsOf = selectFindingsOf
