import type { Sql } from '../platform/database/sql.ts'
import {
  type FindingPlace,
  type FindingRow,
  type StudyPlace,
  type StudyRecord,
  type StudyUncounted,
  studyNotFound,
  writeStudy,
} from './record.ts'
import { selectAssessments, selectCounts, selectFindingsOf, selectStudies, selectStudiesBefore } from './store.ts'
import type { Study } from './words.ts'

/** @throws Problem `study-not-found` */
export async function getStudy(sql: Sql, study: string): Promise<Study> {
  const [answer] = await readStudies(sql, [study])
  if (answer === undefined) throw studyNotFound(study)
  return { ...answer, counts: (await readCountsOf(sql, [study])).get(study) ?? [] }
}

/** Those of the keys that there are, in any order. */
export async function readStudies(sql: Sql, studies: readonly string[]): Promise<StudyUncounted[]> {
  return withAssessments(sql, await selectStudies(sql, studies))
}

/** The one asked for last first; one more than `limit` where there are more. */
export async function listStudies(
  sql: Sql,
  page: { readonly after: StudyPlace | undefined; readonly limit: number },
): Promise<StudyUncounted[]> {
  return withAssessments(sql, await selectStudiesBefore(sql, page))
}

async function withAssessments(sql: Sql, records: readonly StudyRecord[]): Promise<StudyUncounted[]> {
  if (records.length === 0) return []
  const keys = records.map(({ study }) => study)
  const assessments = new Map((await selectAssessments(sql, keys)).map((one) => [one.study, one]))
  return records.map((one) => writeStudy(one, assessments.get(one.study)))
}

/** What each study found by site, product, ship state and verdicts; dearer than the study, since it reads all findings. */
export async function readCountsOf(sql: Sql, studies: readonly string[]): Promise<Map<string, Study['counts']>> {
  const counts = new Map<string, Study['counts']>()
  for (const { study, ...count } of await selectCounts(sql, studies)) {
    const own = counts.get(study) ?? []
    own.push(count)
    counts.set(study, own)
  }
  return counts
}

/**
 * What a study found so far, that furthest beyond its limit first; one more than `limit` where there are more.
 * @throws Problem `study-not-found`
 */
export async function listFindings(
  sql: Sql,
  study: string,
  page: { readonly after: FindingPlace | undefined; readonly limit: number },
): Promise<FindingRow[]> {
  const rows = await readFindingsOf(sql, [study], page)
  if (rows.length === 0 && (await selectStudies(sql, [study])).length === 0) throw studyNotFound(study)
  return rows
}

/** The same of many studies; of each one more than `limit` where there are more. */
export const readFindingsOf = selectFindingsOf
