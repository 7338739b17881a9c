import { type Sql, timestamptzText } from '../platform/database/sql.ts'

/** An instant of governance that has arrived, and what it brought. */
export interface Arrival {
  readonly at: number
  readonly kind: 'edition' | 'version' | 'in-force' | 'ended' | 'block'
  /** Table, product or plan; and the number of edition, version or revision. */
  readonly key: string
  readonly number: number
  readonly digest: string
  /** Of a revision: where, and for which variants ('' where the product has none). */
  readonly sites: string[] | null
  readonly variants: string[] | null
  /** Of a block, as JSON. */
  readonly causes: string | null
}

// What was emptied before it began never came. Instants never change once they have passed.
const ARRIVED = `
  SELECT effective_from AS at, 'edition' AS kind, rule_table AS key, edition AS number, digest, NULL::text[] AS sites,
         NULL::text[] AS variants
  FROM governance.rule_edition WHERE state = 'published' AND effective_from > $1 AND effective_from <= $2
  UNION ALL
  SELECT effective_from, 'version', product, version, digest, NULL, NULL
  FROM governance.product_version WHERE state = 'confirmed' AND effective_from > $1 AND effective_from <= $2
  UNION ALL
  SELECT f.from_at, 'in-force', f.plan, f.revision, r.digest, array_agg(DISTINCT f.site), array_agg(DISTINCT f.variant)
  FROM governance.in_force f JOIN governance.plan_revision r ON r.plan = f.plan AND r.revision = f.revision
  WHERE f.from_at > $1 AND f.from_at <= $2 AND (f.until_at IS NULL OR f.until_at > f.from_at)
  GROUP BY f.plan, f.revision, f.from_at, r.digest
  UNION ALL
  SELECT f.until_at, 'ended', f.plan, f.revision, r.digest, array_agg(DISTINCT f.site), array_agg(DISTINCT f.variant)
  FROM governance.in_force f JOIN governance.plan_revision r ON r.plan = f.plan AND r.revision = f.revision
  WHERE f.until_at > $1 AND f.until_at <= $2 AND f.until_at > f.from_at
  GROUP BY f.plan, f.revision, f.until_at, r.digest`

// A check may find a block after its first instant has passed, so those told are remembered one by one. A revision that
// is not checked with the rules as of now may yet lose a block that has not begun.
const UNTOLD_BLOCKS = `
  SELECT b.from_at AS at, 'block' AS kind, r.plan AS key, r.revision AS number, r.digest,
    (SELECT array_agg(DISTINCT f.site) FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
       AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > b.from_at))) AS sites,
    NULL::text[] AS variants, b.causes
  FROM governance.block b JOIN governance.plan_revision r ON r.plan = b.plan AND r.revision = b.revision
  WHERE b.rules_version = $1 AND b.from_at <= $2 AND r.state IN ('approved', 'withdrawn') AND r.checked_version = $1
    AND EXISTS (SELECT 1 FROM governance.in_force f WHERE f.plan = r.plan AND f.revision = r.revision
      AND (f.until_at IS NULL OR (f.until_at > f.from_at AND f.until_at > b.from_at)))
    AND NOT EXISTS (SELECT 1 FROM governance.block_told t
      WHERE t.plan = r.plan AND t.revision = r.revision AND t.from_at = b.from_at)`

/** Whether anything has arrived by now that was not told: asked without a lock, since nearly always there is nothing. */
export async function isAnythingUntold(
  sql: Sql,
  now: { readonly at: number; readonly rulesVersion: number },
): Promise<boolean> {
  const [row] = await sql.query<{ until: number }>(
    `SELECT ticked_until AS "until" FROM governance.ticker WHERE ticker = 'instants'`,
    [],
    'schedule_ticked',
  )
  if (row === undefined) throw new Error("governance.ticker has no row 'instants'; are the migrations applied?")
  const arrived = await sql.query(
    `${ARRIVED} LIMIT 1`,
    [timestamptzText(row.until), timestamptzText(now.at)],
    'schedule_any_arrived',
  )
  if (arrived.length > 0) return true
  const blocks = await sql.query(
    `${UNTOLD_BLOCKS} LIMIT 1`,
    [now.rulesVersion, timestamptzText(now.at)],
    'schedule_any_block',
  )
  return blocks.length > 0
}

/** Takes the ticker until the transaction ends, and gives how far was told; undefined where another process has it. */
export async function holdTicker(sql: Sql): Promise<number | undefined> {
  const [row] = await sql.query<{ until: number }>(
    `SELECT ticked_until AS "until" FROM governance.ticker WHERE ticker = 'instants' FOR UPDATE SKIP LOCKED`,
    [],
    'schedule_hold_ticker',
  )
  return row?.until
}

/**
 * What arrived after one instant and up to another, in order: about `limit` of it, and all of the last instant given, so
 * that the next page may begin after that.
 */
export async function selectArrived(
  sql: Sql,
  { after, upTo, limit }: { readonly after: number; readonly upTo: number; readonly limit: number },
): Promise<Arrival[]> {
  return await sql.query<Arrival>(
    `WITH arrived AS (${ARRIVED})
     SELECT arrived.*, NULL::text AS causes FROM arrived
     WHERE at <= (SELECT max(at) FROM (SELECT at FROM arrived ORDER BY at LIMIT $3) first) ORDER BY at, kind, key, number`,
    [timestamptzText(after), timestamptzText(upTo), limit],
    'schedule_arrived',
  )
}

/** The oldest blocks that have begun and were not told. */
export async function selectUntoldBlocks(
  sql: Sql,
  { rulesVersion, at, limit }: { readonly rulesVersion: number; readonly at: number; readonly limit: number },
): Promise<Arrival[]> {
  return await sql.query<Arrival>(
    `${UNTOLD_BLOCKS} ORDER BY b.from_at, r.plan, r.revision LIMIT $3`,
    [rulesVersion, timestamptzText(at), limit],
    'schedule_untold_blocks',
  )
}

export async function moveTicker(sql: Sql, until: number): Promise<void> {
  await sql.query(
    `UPDATE governance.ticker SET ticked_until = $1 WHERE ticker = 'instants'`,
    [timestamptzText(until)],
    'schedule_move_ticker',
  )
}

export async function insertTold(sql: Sql, blocks: readonly Arrival[]): Promise<void> {
  await sql.query(
    `INSERT INTO governance.block_told (plan, revision, from_at)
     SELECT * FROM unnest($1::text[], $2::int[], $3::timestamptz[])`,
    [blocks.map(({ key }) => key), blocks.map(({ number }) => number), blocks.map(({ at }) => timestamptzText(at))],
    'schedule_insert_told',
  )
}
