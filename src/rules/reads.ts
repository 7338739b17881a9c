import { writeInstant } from '../exact/time.ts'
import type { Sql } from '../platform/database/sql.ts'
import {
  type Edition,
  type EditionKey,
  type EditionRecord,
  editionNotFound,
  type RuleSet,
  type RuleTable,
  ruleTableNotFound,
  writeEdition,
} from './record.ts'
import {
  type StoredPublication,
  selectEdition,
  selectEditions,
  selectEditionsNamed,
  selectEditionsOf,
  selectEffects,
  selectKnownTables,
  selectPublished,
  selectRuleSets,
  selectTables,
  selectTablesNamed,
  type TableRow,
} from './store.ts'
import { editionsInEffect } from './timeline.ts'

/**
 * The editions that the rules versions above `after`, up to `upTo`, published, in that order and as they are stored: a
 * caller that decides by them reads the content itself, since one that can no longer be read must block, not stop it.
 */
export function readPublished(
  sql: Sql,
  span: { readonly after: number; readonly upTo: number },
): Promise<StoredPublication[]> {
  return selectPublished(sql, span)
}

/** @throws Problem `edition-not-found` */
export async function getEdition(sql: Sql, table: string, edition: number): Promise<Edition> {
  const record = await selectEdition(sql, table, edition)
  if (record === undefined) throw editionNotFound({ table, edition })
  return answerEdition(sql, record)
}

/** The answer for an edition just read or written, with its warnings. */
export async function answerEdition(sql: Sql, record: EditionRecord): Promise<Edition> {
  const [answer] = await answerEditions(sql, [record])
  if (answer === undefined) throw new Error('one record gives one answer')
  return answer
}

async function answerEditions(sql: Sql, records: readonly EditionRecord[]): Promise<Edition[]> {
  const overridden = new Set(records.flatMap(({ content }) => (content.overrides ?? []).map(({ table }) => table)))
  const known = overridden.size === 0 ? overridden : await selectKnownTables(sql, [...overridden])
  return records.map((record) => writeEdition(record, (table) => known.has(table)))
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
  if (records.length === 0 && !(await selectKnownTables(sql, [table])).has(table)) throw ruleTableNotFound(table)
  return answerEditions(sql, records)
}

/** Rule tables in order of their keys, with the edition in effect at `at`. One more than `limit` where there are more. */
export async function listRuleTables(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<RuleTable[]> {
  return withEffects(sql, await selectTables(sql, { after: page.after, limit: page.limit + 1 }), at)
}

/** The rule tables named, in no order, with the edition in effect at `at`; those that are not there are left out. */
export async function readRuleTables(sql: Sql, tables: readonly string[], at: number): Promise<RuleTable[]> {
  return withEffects(sql, await selectTablesNamed(sql, tables), at)
}

/** The editions named, in no order; those that are not there are left out. */
export async function readEditions(sql: Sql, keys: readonly EditionKey[]): Promise<Edition[]> {
  return answerEditions(sql, await selectEditionsNamed(sql, keys))
}

/** The same page of editions of each of these tables, ascending. One more than `limit` where there are more. */
export async function readEditionsOf(
  sql: Sql,
  tables: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<Edition[]> {
  return answerEditions(sql, await selectEditionsOf(sql, tables, { after: page.after, limit: page.limit + 1 }))
}

async function withEffects(sql: Sql, rows: readonly TableRow[], at: number): Promise<RuleTable[]> {
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
