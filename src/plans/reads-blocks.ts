import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { RevisionBlock } from './record.ts'

/** Where a block stands in the list: its first instant, then the revision. */
export type BlockPlace = readonly [from: number, plan: string, revision: number]

export interface BlocksAsked {
  readonly plan?: string | undefined
  readonly product?: string | undefined
  /** Those that meet a revision in force there. */
  readonly site?: string | undefined
}

type BlockRow = Omit<RevisionBlock, 'from' | 'until' | 'causes'> & {
  readonly from: number
  readonly until: number | null
  readonly causes: string
}

/** Blocks open at `at` or still to come, in order of their first instants. One more than `limit` where there are more. */
export async function listOpenBlocks(
  sql: Sql,
  page: { readonly after: BlockPlace | undefined; readonly limit: number },
  { plan, product, site, at }: BlocksAsked & { readonly at: number },
): Promise<RevisionBlock[]> {
  const [from, afterPlan, revision] = page.after ?? [Number.NEGATIVE_INFINITY, '', 0]
  const rows = await sql.query<BlockRow>(
    `SELECT r.plan, r.revision, r.digest, r.product, p.operation, f.sites, b.from_at AS "from", b.until_at AS "until",
            b.cause_version AS "causeVersion", b.causes, b.rules_version AS "checkedVersion"
     FROM governance.plan_revision r JOIN governance.plan p USING (plan)
     JOIN governance.block b ON b.plan = r.plan AND b.revision = r.revision AND b.rules_version = r.checked_version
     CROSS JOIN LATERAL (SELECT array_agg(DISTINCT site COLLATE "C" ORDER BY site COLLATE "C") AS sites
       FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision AND (b.until_at IS NULL OR f.from_at < b.until_at)
         AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > $1 AND f.until_at > b.from_at))) f
     WHERE r.state IN ('approved', 'withdrawn') AND (b.until_at IS NULL OR b.until_at > $1) AND f.sites IS NOT NULL
       AND ($2::text IS NULL OR r.plan = $2) AND ($3::text IS NULL OR r.product = $3) AND ($4::text IS NULL OR $4 = ANY (f.sites))
       AND (b.from_at, r.plan COLLATE "C", r.revision) > ($5, $6, $7)
     ORDER BY b.from_at, r.plan COLLATE "C", r.revision LIMIT $8`,
    [
      timestamptzText(at),
      plan ?? null,
      product ?? null,
      site ?? null,
      timestamptzText(from),
      afterPlan,
      revision,
      page.limit + 1,
    ],
    'plans_open_blocks',
  )
  return rows.map((row) => ({
    ...row,
    from: writeInstant(row.from),
    until: writeInstantOrNull(row.until),
    causes: JSON.parse(row.causes),
  }))
}
