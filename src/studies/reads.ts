import type { Sql } from '../platform/database/sql.ts'
import { type FindingRow, studyNotFound, writeStudy } from './record.ts'
import { selectAssessment, selectCounts, selectFindings, selectStudy } from './store.ts'
import type { Study } from './words.ts'

/** @throws Problem `study-not-found` */
export async function getStudy(sql: Sql, study: string): Promise<Study> {
  const record = await selectStudy(sql, study)
  if (record === undefined) throw studyNotFound(study)
  return writeStudy(record, await selectCounts(sql, study), await selectAssessment(sql, study))
}

/**
 * What a study found so far, that furthest beyond its limit first; one more than `limit` where there are more.
 * @throws Problem `study-not-found`
 */
export async function listFindings(
  sql: Sql,
  study: string,
  page: { readonly after: readonly [beyond: string, ordinal: number] | undefined; readonly limit: number },
): Promise<FindingRow[]> {
  const rows = await selectFindings(sql, study, page)
  if (rows.length === 0 && (await selectStudy(sql, study)) === undefined) throw studyNotFound(study)
  return rows
}
