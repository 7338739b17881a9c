import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import {
  cancelledColumns,
  draftColumns,
  readStored,
  rejectedColumns,
  STOPPED_COLUMNS,
  type Stopped,
} from '../platform/versioned-words.ts'
import type { ApprovalRow } from './in-force.ts'
import { nameOf, type RevisionKey, type RevisionRecord } from './record.ts'
import type { PlanContent, RevisionState } from './words.ts'

type RevisionRow = Omit<RevisionRecord, 'content'> & { readonly content: string }

const COLUMNS = `plan, revision, state, product, product_version AS "productVersion", content, digest,
  change_reason AS "changeReason", authors, created_at AS "createdAt", submitted_at AS "submittedAt",
  submitted_by AS "submittedBy", approved_at AS "approvedAt", approved_by AS "approvedBy",
  approved_meaning AS "approvedMeaning", approved_comment AS "approvedComment", in_force_from AS "inForceFrom",
  withdrawn_at AS "withdrawnAt", withdrawn_by AS "withdrawnBy", withdrawn_reason AS "withdrawnReason",
  withdrawn_from AS "withdrawnFrom", ${STOPPED_COLUMNS}`

/** One revision; undefined where there is none. */
export async function selectRevision(sql: Sql, { plan, revision }: RevisionKey): Promise<RevisionRecord | undefined> {
  const [row] = await sql.query<RevisionRow>(
    `SELECT ${COLUMNS} FROM governance.plan_revision WHERE plan = $1 AND revision = $2`,
    [plan, revision],
    'plans_revision',
  )
  return row && recordOf(row)
}

/** Revisions of a plan in ascending order, after a number. */
export async function selectRevisions(
  sql: Sql,
  plan: string,
  page: { readonly after: number; readonly limit: number },
): Promise<RevisionRecord[]> {
  const rows = await sql.query<RevisionRow>(
    `SELECT ${COLUMNS} FROM governance.plan_revision WHERE plan = $1 AND revision > $2 ORDER BY revision LIMIT $3`,
    [plan, page.after, page.limit],
    'plans_revisions',
  )
  return rows.map(recordOf)
}

/** The revisions named, in no order; those that are not there are left out. */
export async function selectRevisionsNamed(sql: Sql, keys: readonly RevisionKey[]): Promise<RevisionRecord[]> {
  const rows = await sql.query<RevisionRow>(
    `SELECT ${COLUMNS} FROM governance.plan_revision
     WHERE (plan, revision) IN (SELECT * FROM unnest($1::text[], $2::int[]))`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision)],
    'plans_revisions_named',
  )
  return rows.map(recordOf)
}

/** The same page of revisions of each of these plans, ascending. */
export async function selectRevisionsOf(
  sql: Sql,
  plans: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<RevisionRecord[]> {
  const rows = await sql.query<RevisionRow>(
    `SELECT r.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${COLUMNS} FROM governance.plan_revision WHERE plan = asked.key AND revision > $2
       ORDER BY revision LIMIT $3) r`,
    [plans, page.after, page.limit],
    'plans_revisions_of',
  )
  return rows.map(recordOf)
}

/** For each revision named the highest number below it, in whatever state; no row where there is none. */
export function selectNumbersBefore(
  sql: Sql,
  keys: readonly RevisionKey[],
): Promise<(RevisionKey & { readonly before: number })[]> {
  return sql.query(
    `SELECT asked.plan, asked.revision, max(r.revision) AS before
     FROM unnest($1::text[], $2::int[]) AS asked (plan, revision)
     JOIN governance.plan_revision r ON r.plan = asked.plan AND r.revision < asked.revision
     GROUP BY asked.plan, asked.revision`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision)],
    'plans_numbers_before',
  )
}

function recordOf(row: RevisionRow): RevisionRecord {
  return { ...row, content: readStored(row, nameOf(row)) }
}

/** A plan with the numbers of its revisions. */
export interface PlanRow {
  readonly plan: string
  readonly product: string
  readonly operation: string
  readonly recordedAt: number
  readonly latestRevision: number
  readonly revisionsInForce: number[]
}

const PLAN = `SELECT plan, product, operation, recorded_at AS "recordedAt",
    (SELECT max(revision) FROM governance.plan_revision r WHERE r.plan = p.plan) AS "latestRevision",
    ARRAY(SELECT DISTINCT f.revision FROM governance.in_force f WHERE f.plan = p.plan AND f.from_at <= $1
          AND (f.until_at IS NULL OR f.until_at > $1) ORDER BY f.revision) AS "revisionsInForce"
  FROM governance.plan p`

export async function selectPlan(sql: Sql, plan: string, at: number): Promise<PlanRow | undefined> {
  const [row] = await sql.query<PlanRow>(`${PLAN} WHERE plan = $2`, [timestamptzText(at), plan], 'plans_plan')
  return row
}

/** Plans in order of their keys, after one. */
export function selectPlans(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<PlanRow[]> {
  return sql.query<PlanRow>(
    `${PLAN} WHERE plan COLLATE "C" > $2 ORDER BY plan COLLATE "C" LIMIT $3`,
    [timestamptzText(at), page.after, page.limit],
    'plans_page',
  )
}

/** The plans named, in no order. */
export function selectPlansNamed(sql: Sql, plans: readonly string[], at: number): Promise<PlanRow[]> {
  return sql.query<PlanRow>(`${PLAN} WHERE plan = ANY ($2)`, [timestamptzText(at), plans], 'plans_named')
}

/** The same page of plans of each of these products, in order of their keys. */
export function selectPlansOf(
  sql: Sql,
  products: readonly string[],
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<PlanRow[]> {
  return sql.query<PlanRow>(
    `SELECT p.* FROM unnest($2::text[]) AS asked (key) CROSS JOIN LATERAL (
       ${PLAN} WHERE product = asked.key AND plan COLLATE "C" > $3 ORDER BY plan COLLATE "C" LIMIT $4) p`,
    [timestamptzText(at), products, page.after, page.limit],
    'plans_of_products',
  )
}

/** What a plan is and which numbers are taken; undefined where there is no such plan. */
export interface PlanFacts {
  readonly product: string
  readonly operation: string
  readonly highest: number
  readonly isTaken: boolean
}

export async function selectPlanFacts(sql: Sql, { plan, revision }: RevisionKey): Promise<PlanFacts | undefined> {
  const [row] = await sql.query<PlanFacts>(
    `SELECT p.product, p.operation, max(r.revision) AS highest, bool_or(r.revision = $2) AS "isTaken"
     FROM governance.plan p JOIN governance.plan_revision r USING (plan) WHERE p.plan = $1
     GROUP BY p.product, p.operation`,
    [plan, revision],
    'plans_facts',
  )
  return row
}

/** Every site, in order of its key. */
export async function selectSites(sql: Sql): Promise<string[]> {
  const rows = await sql.query<{ site: string }>(
    'SELECT site FROM governance.site ORDER BY site COLLATE "C"',
    [],
    'plans_sites',
  )
  return rows.map(({ site }) => site)
}

interface Written {
  readonly content: PlanContent
  readonly changeReason: string | null
  readonly authors: readonly string[]
}

/** Writes a draft; the first revision makes its plan. */
export async function insertRevision(
  act: Act,
  written: Written & { readonly state: RevisionState },
): Promise<RevisionRecord> {
  const { plan, revision, product, productVersion, operation } = written.content
  await act.sql.query(
    'INSERT INTO governance.plan (plan, product, operation, recorded_at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING',
    [plan, product, operation, timestamptzText(act.at)],
    'plans_insert_plan',
  )
  await act.prisma.planRevision.create({
    data: {
      plan,
      revision,
      state: written.state,
      product,
      productVersion,
      ...draftColumns(written),
      createdAt: new Date(act.at),
    },
  })
  return stored(act, written.content)
}

/** Puts other content in the place of a draft's. */
export async function replaceContent(act: Act, written: Written): Promise<RevisionRecord> {
  const { content } = written
  await act.prisma.planRevision.update({
    where: keyOf(content),
    data: { productVersion: content.productVersion, ...draftColumns(written) },
  })
  return stored(act, content)
}

export async function markSubmitted(
  act: Act,
  key: RevisionKey,
  submission: { readonly state: RevisionState; readonly by: string },
): Promise<RevisionRecord> {
  await act.prisma.planRevision.update({
    where: keyOf(key),
    data: { state: submission.state, submittedAt: new Date(act.at), submittedBy: submission.by },
  })
  return stored(act, key)
}

export async function markApproved(
  act: Act,
  key: RevisionKey,
  approval: {
    readonly state: RevisionState
    readonly by: string
    readonly meaning: string
    readonly comment: string | null
    readonly inForceFrom: number
  },
): Promise<RevisionRecord> {
  await act.prisma.planRevision.update({
    where: keyOf(key),
    data: {
      state: approval.state,
      approvedAt: new Date(act.at),
      approvedBy: approval.by,
      approvedMeaning: approval.meaning,
      approvedComment: approval.comment,
      inForceFrom: new Date(approval.inForceFrom),
      approvedVersion: act.rulesVersion,
    },
  })
  return stored(act, key)
}

export async function markWithdrawn(
  act: Act,
  key: RevisionKey,
  withdrawal: {
    readonly state: RevisionState
    readonly by: string
    readonly reason: string
    readonly from: number
  },
): Promise<RevisionRecord> {
  await act.prisma.planRevision.update({
    where: keyOf(key),
    data: {
      state: withdrawal.state,
      withdrawnAt: new Date(act.at),
      withdrawnBy: withdrawal.by,
      withdrawnReason: withdrawal.reason,
      withdrawnFrom: new Date(withdrawal.from),
    },
  })
  return stored(act, key)
}

export async function markRejected(
  act: Act,
  key: RevisionKey,
  stopped: Stopped<RevisionState>,
): Promise<RevisionRecord> {
  await act.prisma.planRevision.update({ where: keyOf(key), data: rejectedColumns(stopped, act.at) })
  return stored(act, key)
}

export async function markCancelled(
  act: Act,
  key: RevisionKey,
  stopped: Stopped<RevisionState>,
): Promise<RevisionRecord> {
  await act.prisma.planRevision.update({ where: keyOf(key), data: cancelledColumns(stopped, act.at) })
  return stored(act, key)
}

/** The approvals of a plan that were not cancelled, with their withdrawals, in no order. */
export function selectApprovals(sql: Sql, plan: string): Promise<ApprovalRow[]> {
  return sql.query<ApprovalRow>(
    `SELECT revision, approved_at AS "approvedAt", in_force_from AS "from", withdrawn_at AS "withdrawnAt",
            withdrawn_from AS "withdrawnFrom"
     FROM governance.plan_revision WHERE plan = $1 AND state IN ('approved', 'withdrawn')`,
    [plan],
    'plans_approvals',
  )
}

function keyOf({ plan, revision }: RevisionKey) {
  return { plan_revision: { plan, revision } }
}

async function stored(act: Act, key: RevisionKey): Promise<RevisionRecord> {
  const record = await selectRevision(act.sql, key)
  if (record === undefined) throw new Error(`${nameOf(key)} is not there after it was written`)
  return record
}
