import { writeInstant } from '../exact/time.ts'
import type { Sql } from '../platform/database/sql.ts'
import {
  type Edition,
  editionNotFound,
  type PublishedEdition,
  publicationOf,
  type RuleSet,
  type RuleTable,
  ruleTableNotFound,
  writeEdition,
} from './record.ts'
import {
  selectEdition,
  selectEditions,
  selectEffects,
  selectPublished,
  selectRuleSets,
  selectTables,
  tableExists,
} from './store.ts'
import { editionsInEffect } from './timeline.ts'

/**
 * Every published edition with its content, those that take effect later included, in the order of publication; with
 * `knownVersion` only what was published by that rules version. `editionsInEffect` picks.
 */
export async function readPublications(
  sql: Sql,
  options: { readonly knownVersion?: number | undefined } = {},
): Promise<PublishedEdition[]> {
  return (await selectPublished(sql, options.knownVersion ?? null)).map(publicationOf)
}

/** @throws Problem `edition-not-found` */
export async function getEdition(sql: Sql, table: string, edition: number): Promise<Edition> {
  const record = await selectEdition(sql, table, edition)
  if (record === undefined) throw editionNotFound(table, edition)
  return writeEdition(record)
}

/**
 * The editions of a table, ascending. One more than `limit` where there are more.
 * @throws Problem `rule-table-not-found`
 */
export async function listEditions(
  sql: Sql,
  table: string,
  page: { readonly after: number; readonly limit: number },
): Promise<Edition[]> {
  const records = await selectEditions(sql, table, { after: page.after, limit: page.limit + 1 })
  if (records.length === 0 && !(await tableExists(sql, table))) throw ruleTableNotFound(table)
  return records.map(writeEdition)
}

/** Rule tables in order of their keys, with the edition in effect at `at`. One more than `limit` where there are more. */
export async function listRuleTables(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<RuleTable[]> {
  const rows = await selectTables(sql, { after: page.after, limit: page.limit + 1 })
  const effects = await selectEffects(
    sql,
    rows.map(({ table }) => table),
  )
  const inEffect = editionsInEffect(effects, at, Number.POSITIVE_INFINITY)
  return rows.map(({ table, ruleSet, recordedAt, latestEdition }) => ({
    table,
    ruleSet,
    recordedAt: writeInstant(recordedAt),
    latestEdition,
    editionInEffect: inEffect.get(table)?.edition ?? null,
  }))
}

/** Rule sets in order of their keys. One more than `limit` where there are more. */
export async function listRuleSets(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
): Promise<RuleSet[]> {
  const rows = await selectRuleSets(sql, { after: page.after, limit: page.limit + 1 })
  return rows.map(({ recordedAt, ...row }) => ({ ...row, recordedAt: writeInstant(recordedAt) }))
}
