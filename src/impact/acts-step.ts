import { readImpactPage } from '../plans/reads-impact.ts'
import { readRulesNow } from '../plans/reads-rules.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction, type Sql } from '../platform/database/transaction.ts'
import { holdImpact, recordImpact } from '../rules/acts-impacts.ts'
import { compileTable } from '../rules/compile-table.ts'
import type { ImpactFailure, ImpactRecord } from '../rules/impacts.ts'
import { readEditions } from '../rules/reads.ts'
import { readImpactsIn } from '../rules/reads-impacts.ts'
import { readStudies } from '../studies/reads.ts'
import { countedIn, foundCount, impactFinding } from './record.ts'
import { insertFindings } from './store.ts'

/** Revisions looked at in one transaction, and how long it looks: it must not idle as long as the database allows. */
const PAGE_MAX = 200
const PAGE_TIME_MAX_MS = 1_000

/** Impacts looked at together that wait for their studies. */
const STUDYING_MAX = 100

export interface ImpactPageOptions {
  /** Only this one. */
  readonly impact?: string
  readonly limit?: number
  readonly timeMaxMs?: number
}

/**
 * Takes one page of live revisions for the impact asked for first that nobody else has in hand; where none is left to be
 * checked, the figures of ended studies are taken over. Findings and the place to go on from are one transaction.
 */
export async function impactPage(database: Database, options: ImpactPageOptions = {}): Promise<'settled' | 'more'> {
  if ((await readImpactsIn(database.sql, ['checking'], 1)).length > 0) {
    const step = await inTransaction(database, (sql) => checkPage(database, sql, options))
    if (step === 'more') return step
  }
  await takeOverStudies(database)
  return 'settled'
}

async function checkPage(
  database: Database,
  sql: Sql,
  { impact, limit = PAGE_MAX, timeMaxMs = PAGE_TIME_MAX_MS }: ImpactPageOptions,
): Promise<'settled' | 'more'> {
  const record = await holdImpact(sql, { state: 'checking', impact })
  if (record === undefined) return 'settled'
  const page = await lookAtPage(database, sql, record, { limit, timeMaxMs })
  if (typeof page === 'string') {
    await recordImpact(sql, { ...record, state: 'failed', failure: page, endedAt: await nowOf(database, sql) })
    return 'more'
  }
  const { reached, checked, last } = page
  const found = foundCount(record)
  const findings = reached.map((one, index) => impactFinding(one, found + index + 1))
  await insertFindings(sql, record.impact, findings)
  await recordImpact(sql, {
    ...record,
    ...countedIn(record, findings),
    state: last === null ? 'studying' : 'checking',
    revisionsChecked: record.revisionsChecked + checked,
    cursorPlan: last?.plan ?? record.cursorPlan,
    cursorRevision: last?.revision ?? record.cursorRevision,
  })
  return 'more'
}

async function lookAtPage(
  database: Database,
  sql: Sql,
  record: ImpactRecord,
  page: { readonly limit: number; readonly timeMaxMs: number },
): Promise<Exclude<Awaited<ReturnType<typeof readImpactPage>>, string> | ImpactFailure> {
  const { table, edition, digest, bindsBecause, effectiveFrom, askedAt, rulesVersion, cursorPlan, cursorRevision } =
    record
  const [asked] = await readEditions(sql, [{ table, edition }])
  const compiled = asked?.digest === digest ? compileTable(asked.content) : undefined
  if (compiled === undefined || 'refusals' in compiled) return 'content-changed'
  return readImpactPage(database, sql, {
    edition: {
      table,
      edition,
      effectiveFrom: effectiveFrom ?? askedAt + 1,
      publishedAt: askedAt,
      bindsBecause: bindsBecause ?? undefined,
      compiled: compiled.table,
    },
    rulesVersion,
    at: askedAt,
    after: cursorPlan === null || cursorRevision === null ? null : { plan: cursorPlan, revision: cursorRevision },
    ...page,
  })
}

async function nowOf({ clock }: Database, sql: Sql): Promise<number> {
  return (await readRulesNow({ sql, clock })).at
}

/** An impact is done when its study is; a study that was ended early, or failed, tells no number. */
async function takeOverStudies(database: Database): Promise<void> {
  const waiting = await readImpactsIn(database.sql, ['studying'], STUDYING_MAX)
  const studies = await readStudies(
    database.sql,
    waiting.map(({ study }) => study),
  )
  const ended = new Map(studies.filter(({ endedAt }) => endedAt !== null).map((one) => [one.study, one]))
  for (const { impact, study } of waiting) {
    const result = ended.get(study)
    if (result === undefined) continue
    await inTransaction(database, async (sql) => {
      const record = await holdImpact(sql, { state: 'studying', impact })
      if (record === undefined) return
      const runsAffected = result.state === 'done' ? result.found : null
      await recordImpact(sql, { ...record, state: 'done', runsAffected, endedAt: await nowOf(database, sql) })
    })
  }
}
