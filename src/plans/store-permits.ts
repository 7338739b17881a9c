import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { PermitRecord } from './permit-record.ts'
import type { RevisionKey } from './record.ts'
import type { Block } from './step-blocks.ts'

// Permits are of the house: their rows in intake stand under the site '*'.

const PERMIT = `SELECT p.permit, p.plan, p.revision, p.state, p.content, p.digest, p.requested_at AS "requestedAt",
    p.requested_by AS "requestedBy", p.approved_at AS "approvedAt", p.approved_by AS "approvedBy", p.meaning,
    p.valid_from AS "validFrom", p.valid_until AS "validUntil", p.withdrawn_at AS "withdrawnAt",
    p.withdrawn_by AS "withdrawnBy", p.withdrawal_reason AS "withdrawalReason", p.checked_version AS "checkedVersion",
    p.blocks, coalesce(c.used, 0) AS used
  FROM governance.permit p LEFT JOIN intake.permit_counts c ON c.site_id = '*' AND c.permit = p.permit`

export async function insertPermit(act: Act, record: Omit<PermitRecord, 'used'>): Promise<void> {
  const { requestedAt, validUntil, ...rest } = record
  await act.prisma.permit.create({
    data: { ...rest, requestedAt: new Date(requestedAt), validUntil: new Date(validUntil), ...NOT_YET },
  })
}

const NOT_YET = { approvedAt: null, validFrom: null, withdrawnAt: null }

export async function selectPermit(sql: Sql, permit: string): Promise<PermitRecord | undefined> {
  const [row] = await sql.query<PermitRecord>(`${PERMIT} WHERE p.permit = $1`, [permit], 'plans_permit')
  return row
}

export function selectPermits(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  of: { readonly plan?: string | undefined; readonly revision?: number | undefined },
): Promise<PermitRecord[]> {
  return sql.query<PermitRecord>(
    `${PERMIT} WHERE p.permit > $1 AND ($3::text IS NULL OR p.plan = $3) AND ($4::int IS NULL OR p.revision = $4)
     ORDER BY p.permit LIMIT $2`,
    [page.after, page.limit, of.plan ?? null, of.revision ?? null],
    'plans_permits',
  )
}

/** Those of these revisions that are approved and have not ended by `at`. */
export function selectPermitsInUse(sql: Sql, keys: readonly RevisionKey[], at: number): Promise<PermitRecord[]> {
  return sql.query<PermitRecord>(
    `${PERMIT} JOIN unnest($1::text[], $2::int[]) AS asked (plan, revision) ON asked.plan = p.plan AND asked.revision = p.revision
     WHERE p.state = 'approved' AND p.valid_until > $3 ORDER BY p.permit`,
    [keys.map(({ plan }) => plan), keys.map(({ revision }) => revision), timestamptzText(at)],
    'plans_permits_in_use',
  )
}

/** Signs a permit; its count of uses begins. */
export async function markPermitApproved(
  act: Act,
  permit: string,
  signed: {
    readonly by: string
    readonly meaning: string
    readonly validFrom: number
    readonly quantity: number
    readonly rulesVersion: number
    readonly blocks: readonly Block[]
  },
): Promise<void> {
  await act.prisma.permit.update({
    where: { permit },
    data: {
      state: 'approved',
      approvedAt: new Date(act.at),
      approvedBy: signed.by,
      meaning: signed.meaning,
      validFrom: new Date(signed.validFrom),
      checkedVersion: signed.rulesVersion,
      blocks: JSON.stringify(signed.blocks),
    },
  })
  await act.sql.query(
    `INSERT INTO intake.permit_counts (site_id, permit, quantity, used) VALUES ('*', $1, $2, 0)`,
    [permit, signed.quantity],
    'plans_open_permit',
  )
}

export async function markPermitWithdrawn(
  act: Act,
  permit: string,
  withdrawn: { readonly by: string; readonly reason: string; readonly validUntil: number },
): Promise<void> {
  await act.prisma.permit.update({
    where: { permit },
    data: {
      state: 'withdrawn',
      withdrawnAt: new Date(act.at),
      withdrawnBy: withdrawn.by,
      withdrawalReason: withdrawn.reason,
      validUntil: new Date(withdrawn.validUntil),
    },
  })
}

/** What the rules say of permits at one version, in one statement. */
export async function updatePermitChecks(
  sql: Sql,
  checks: readonly { readonly permit: string; readonly blocks: readonly Block[] }[],
  rulesVersion: number,
): Promise<void> {
  if (checks.length === 0) return
  await sql.query(
    `UPDATE governance.permit p SET checked_version = $1, blocks = given.blocks
     FROM unnest($2::text[], $3::text[]) AS given (permit, blocks) WHERE p.permit = given.permit`,
    [rulesVersion, checks.map(({ permit }) => permit), checks.map(({ blocks }) => JSON.stringify(blocks))],
    'plans_permit_checks',
  )
}
