import { z } from 'zod'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import { cancellationOf } from '../platform/versioned.ts'
import {
  cancelledColumns,
  draftColumns,
  readStored,
  rejectedColumns,
  STOPPED_COLUMNS,
  type Stopped,
} from '../platform/versioned-words.ts'
import {
  type EditionKey,
  type EditionRecord,
  type EditionState,
  type EditionWarning,
  EditionWarningWire,
  nameOf,
} from './record.ts'
import type { Publication } from './timeline.ts'
import { EditionContentWire, type Subject } from './words.ts'

type EditionRow = Omit<EditionRecord, 'content' | 'tableWarnings'> & {
  readonly content: string
  readonly tableWarnings: string | null
}
type Written = Pick<EditionRecord, 'table' | 'edition' | 'content' | 'changeReason' | 'authors'>

const COLUMNS = `rule_table AS "table", edition, state, digest, content, change_reason AS "changeReason", authors,
  created_at AS "createdAt", submitted_at AS "submittedAt", submitted_by AS "submittedBy",
  published_at AS "publishedAt", published_by AS "publishedBy", published_meaning AS "publishedMeaning",
  effective_from AS "effectiveFrom", binds_because AS "bindsBecause", rules_version AS "rulesVersion", table_warnings AS "tableWarnings",
  ${STOPPED_COLUMNS}`

/** One edition; undefined where there is none. */
export async function selectEdition(sql: Sql, table: string, edition: number): Promise<EditionRecord | undefined> {
  const [row] = await sql.query<EditionRow>(
    `SELECT ${COLUMNS} FROM governance.rule_edition WHERE rule_table = $1 AND edition = $2`,
    [table, edition],
    'rules_edition',
  )
  return row && recordOf(row)
}

/** Editions of a table in ascending order, after a number. */
export async function selectEditions(
  sql: Sql,
  table: string,
  page: { readonly after: number; readonly limit: number },
): Promise<EditionRecord[]> {
  const rows = await sql.query<EditionRow>(
    `SELECT ${COLUMNS} FROM governance.rule_edition WHERE rule_table = $1 AND edition > $2 ORDER BY edition LIMIT $3`,
    [table, page.after, page.limit],
    'rules_editions',
  )
  return rows.map(recordOf)
}

/** A published edition as it is stored. */
export interface StoredPublication extends Publication {
  readonly digest: string
  /** Canonical text. */
  readonly content: string
}

/** What the rules versions above `after`, up to `upTo`, published or cancelled, in the order of publication. */
export async function selectPublished(
  sql: Sql,
  { after, upTo }: { readonly after: number; readonly upTo: number },
): Promise<StoredPublication[]> {
  const rows = await sql.query<
    Omit<StoredPublication, 'cancelled'> & {
      readonly bindsBecause: string | null
      readonly cancelledVersion: number | null
      readonly cancelledAt: number | null
    }
  >(
    `SELECT rule_table AS "table", edition, digest, content, effective_from AS "effectiveFrom",
            rules_version AS "rulesVersion", published_at AS "publishedAt", binds_because AS "bindsBecause",
            cancelled_version AS "cancelledVersion", cancelled_at AS "cancelledAt"
     FROM governance.rule_edition
     WHERE (rules_version > $1 OR cancelled_version > $1) AND rules_version <= $2 ORDER BY rules_version`,
    [after, upTo],
    'rules_published',
  )
  return rows.map(({ cancelledVersion, cancelledAt, ...row }) => ({
    ...row,
    bindsBecause: row.bindsBecause ?? undefined,
    cancelled: cancellationOf(cancelledVersion, cancelledAt, upTo),
  }))
}

/**
 * What a table is, by its row and its editions other than the one named; undefined where there is no such table. What was
 * rejected or cancelled binds no later edition.
 */
export interface TableFacts {
  readonly ruleSet: string
  /** The highest number so far. */
  readonly highest: number
  readonly isTaken: boolean
  /** What the other editions speak of; null where there are none that bind. */
  readonly subject: Subject | null
}

export async function selectTableFacts(sql: Sql, { table, edition }: EditionKey): Promise<TableFacts | undefined> {
  const [row] = await sql.query<TableFacts>(
    `SELECT t.rule_set AS "ruleSet", max(e.edition) AS highest, bool_or(e.edition = $2) AS "isTaken",
            max(e.content::jsonb ->> 'subject')
              FILTER (WHERE e.edition <> $2 AND e.state NOT IN ('rejected', 'cancelled')) AS subject
     FROM governance.rule_table t JOIN governance.rule_edition e USING (rule_table)
     WHERE t.rule_table = $1 GROUP BY t.rule_set`,
    [table, edition],
    'rules_table_facts',
  )
  return row
}

/** Writes a draft; the first edition makes its table, and the first table its rule set. */
export async function insertEdition(
  act: Act,
  edition: Written & { readonly state: EditionState },
): Promise<EditionRecord> {
  await insertRuleSet(act, edition.content.ruleSet)
  await act.sql.query(
    'INSERT INTO governance.rule_table (rule_table, rule_set, recorded_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING',
    [edition.table, edition.content.ruleSet, timestamptzText(act.at)],
    'rules_insert_table',
  )
  await act.prisma.ruleEdition.create({
    data: {
      ruleTable: edition.table,
      edition: edition.edition,
      state: edition.state,
      ...draftColumns(edition),
      createdAt: new Date(act.at),
    },
  })
  return stored(act, edition)
}

/** Puts other content in the place of a draft's. */
export async function replaceContent(act: Act, edition: Written): Promise<EditionRecord> {
  await act.prisma.ruleEdition.update({ where: keyOf(edition), data: draftColumns(edition) })
  return stored(act, edition)
}

/** Moves a table to another rule set; only while its one edition is a draft, or published editions would change. */
export async function moveTable(act: Act, table: string, ruleSet: string): Promise<void> {
  await insertRuleSet(act, ruleSet)
  await act.prisma.ruleTable.update({ where: { ruleTable: table }, data: { ruleSet } })
}

export async function markSubmitted(
  act: Act,
  edition: EditionKey,
  submission: {
    readonly state: EditionState
    readonly by: string
    readonly tableWarnings: readonly EditionWarning[]
  },
): Promise<EditionRecord> {
  await act.prisma.ruleEdition.update({
    where: keyOf(edition),
    data: {
      state: submission.state,
      submittedAt: new Date(act.at),
      submittedBy: submission.by,
      tableWarnings: JSON.stringify(submission.tableWarnings),
    },
  })
  return stored(act, edition)
}

export async function markPublished(
  act: Act,
  edition: EditionKey,
  publication: {
    readonly state: EditionState
    readonly by: string
    readonly meaning: string
    readonly effectiveFrom: number
    readonly bindsBecause: string | null
    readonly rulesVersion: number
    readonly tableWarnings: readonly EditionWarning[]
  },
): Promise<EditionRecord> {
  await act.prisma.ruleEdition.update({
    where: keyOf(edition),
    data: {
      state: publication.state,
      publishedAt: new Date(act.at),
      publishedBy: publication.by,
      publishedMeaning: publication.meaning,
      effectiveFrom: new Date(publication.effectiveFrom),
      bindsBecause: publication.bindsBecause,
      rulesVersion: publication.rulesVersion,
      tableWarnings: JSON.stringify(publication.tableWarnings),
    },
  })
  return stored(act, edition)
}

export async function markRejected(
  act: Act,
  edition: EditionKey,
  stopped: Stopped<EditionState>,
): Promise<EditionRecord> {
  await act.prisma.ruleEdition.update({ where: keyOf(edition), data: rejectedColumns(stopped, act.at) })
  return stored(act, edition)
}

/** `rulesVersion` is the one that the cancellation became. */
export async function markCancelled(
  act: Act,
  edition: EditionKey,
  { rulesVersion, ...stopped }: Stopped<EditionState> & { readonly rulesVersion: number },
): Promise<EditionRecord> {
  await act.prisma.ruleEdition.update({
    where: keyOf(edition),
    data: { ...cancelledColumns(stopped, act.at), cancelledVersion: rulesVersion },
  })
  return stored(act, edition)
}

/** A table and the highest number among its editions. */
export interface TableRow {
  readonly table: string
  readonly ruleSet: string
  readonly recordedAt: number
  readonly latestEdition: number
}

/** Tables in order of their keys, after one. */
export function selectTables(sql: Sql, page: { readonly after: string; readonly limit: number }): Promise<TableRow[]> {
  return sql.query<TableRow>(
    `SELECT rule_table AS "table", rule_set AS "ruleSet", recorded_at AS "recordedAt", (
       SELECT max(edition) FROM governance.rule_edition e WHERE e.rule_table = t.rule_table) AS "latestEdition"
     FROM governance.rule_table t WHERE rule_table COLLATE "C" > $1 ORDER BY rule_table COLLATE "C" LIMIT $2`,
    [page.after, page.limit],
    'rules_tables',
  )
}

/** The tables named, in no order. */
export function selectTablesNamed(sql: Sql, tables: readonly string[]): Promise<TableRow[]> {
  return sql.query<TableRow>(
    `SELECT rule_table AS "table", rule_set AS "ruleSet", recorded_at AS "recordedAt", (
       SELECT max(edition) FROM governance.rule_edition e WHERE e.rule_table = t.rule_table) AS "latestEdition"
     FROM governance.rule_table t WHERE rule_table = ANY ($1)`,
    [tables],
    'rules_tables_named',
  )
}

/** The editions named, in no order; those that are not there are left out. */
export async function selectEditionsNamed(sql: Sql, keys: readonly EditionKey[]): Promise<EditionRecord[]> {
  const rows = await sql.query<EditionRow>(
    `SELECT ${COLUMNS} FROM governance.rule_edition
     WHERE (rule_table, edition) IN (SELECT * FROM unnest($1::text[], $2::int[]))`,
    [keys.map(({ table }) => table), keys.map(({ edition }) => edition)],
    'rules_editions_named',
  )
  return rows.map(recordOf)
}

/** The same page of editions of each of these tables, ascending. */
export async function selectEditionsOf(
  sql: Sql,
  tables: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<EditionRecord[]> {
  const rows = await sql.query<EditionRow>(
    `SELECT e.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${COLUMNS} FROM governance.rule_edition WHERE rule_table = asked.key AND edition > $2
       ORDER BY edition LIMIT $3) e`,
    [tables, page.after, page.limit],
    'rules_editions_of',
  )
  return rows.map(recordOf)
}

/** Those of the tables named that are there. */
export async function selectKnownTables(sql: Sql, tables: readonly string[]): Promise<Set<string>> {
  const rows = await sql.query<{ table: string }>(
    'SELECT rule_table AS "table" FROM governance.rule_table WHERE rule_table = ANY ($1)',
    [tables],
    'rules_known_tables',
  )
  return new Set(rows.map(({ table }) => table))
}

/** When editions took or take effect, without their content. */
export function selectEffects(
  sql: Sql,
  tables: readonly string[],
): Promise<{ table: string; edition: number; effectiveFrom: number; rulesVersion: number; publishedAt: number }[]> {
  return sql.query(
    `SELECT rule_table AS "table", edition, effective_from AS "effectiveFrom",
            rules_version AS "rulesVersion", published_at AS "publishedAt"
     FROM governance.rule_edition WHERE state = 'published' AND rule_table = ANY ($1)`,
    [tables],
    'rules_effects',
  )
}

/** Rule sets in order of their keys, after one, with their tables. */
export function selectRuleSets(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
): Promise<{ ruleSet: string; recordedAt: number; tables: string[] }[]> {
  return sql.query(
    `SELECT rule_set AS "ruleSet", recorded_at AS "recordedAt", ARRAY(
       SELECT rule_table FROM governance.rule_table t WHERE t.rule_set = s.rule_set ORDER BY rule_table COLLATE "C") AS tables
     FROM governance.rule_set s WHERE rule_set COLLATE "C" > $1 ORDER BY rule_set COLLATE "C" LIMIT $2`,
    [page.after, page.limit],
    'rules_sets',
  )
}

async function insertRuleSet(act: Act, ruleSet: string): Promise<void> {
  await act.sql.query(
    'INSERT INTO governance.rule_set (rule_set, recorded_at) VALUES ($1, $2) ON CONFLICT DO NOTHING',
    [ruleSet, timestamptzText(act.at)],
    'rules_insert_set',
  )
}

function keyOf({ table, edition }: EditionKey) {
  return { ruleTable_edition: { ruleTable: table, edition } }
}

async function stored(act: Act, key: EditionKey): Promise<EditionRecord> {
  const record = await selectEdition(act.sql, key.table, key.edition)
  if (record === undefined) throw new Error(`${nameOf(key)} is not there after it was written`)
  return record
}

const StoredWarnings = z.array(EditionWarningWire)

/** What still reads as an edition; anything else in the database is a bug. */
function recordOf(row: EditionRow): EditionRecord {
  return {
    ...row,
    content: EditionContentWire.parse(readStored(row, nameOf(row))),
    tableWarnings: row.tableWarnings === null ? [] : StoredWarnings.parse(JSON.parse(row.tableWarnings)),
  }
}
