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
import { nameOf, type VersionKey, type VersionRecord } from './record.ts'
import { ProductContentWire, type VersionState } from './words.ts'

type VersionRow = Omit<VersionRecord, 'content'> & { readonly content: string }
type Written = Pick<VersionRecord, 'product' | 'version' | 'content' | 'changeReason' | 'authors'>

const COLUMNS = `product, version, state, digest, content, change_reason AS "changeReason", authors,
  created_at AS "createdAt", submitted_at AS "submittedAt", submitted_by AS "submittedBy",
  confirmed_at AS "confirmedAt", confirmed_by AS "confirmedBy", confirmed_meaning AS "confirmedMeaning",
  effective_from AS "effectiveFrom", rules_version AS "rulesVersion", ${STOPPED_COLUMNS}`

/** One version; undefined where there is none. */
export async function selectVersion(sql: Sql, product: string, version: number): Promise<VersionRecord | undefined> {
  const [row] = await sql.query<VersionRow>(
    `SELECT ${COLUMNS} FROM governance.product_version WHERE product = $1 AND version = $2`,
    [product, version],
    'products_version',
  )
  return row && recordOf(row)
}

/** Versions of a product in ascending order, after a number. */
export async function selectVersions(
  sql: Sql,
  product: string,
  page: { readonly after: number; readonly limit: number },
): Promise<VersionRecord[]> {
  const rows = await sql.query<VersionRow>(
    `SELECT ${COLUMNS} FROM governance.product_version WHERE product = $1 AND version > $2 ORDER BY version LIMIT $3`,
    [product, page.after, page.limit],
    'products_versions',
  )
  return rows.map(recordOf)
}

/** The versions named, in no order; those that are not there are left out. */
export async function selectVersionsNamed(sql: Sql, keys: readonly VersionKey[]): Promise<VersionRecord[]> {
  const rows = await sql.query<VersionRow>(
    `SELECT ${COLUMNS} FROM governance.product_version
     WHERE (product, version) IN (SELECT * FROM unnest($1::text[], $2::int[]))`,
    [keys.map(({ product }) => product), keys.map(({ version }) => version)],
    'products_versions_named',
  )
  return rows.map(recordOf)
}

/** The same page of versions of each of these products, ascending. */
export async function selectVersionsOf(
  sql: Sql,
  products: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<VersionRecord[]> {
  const rows = await sql.query<VersionRow>(
    `SELECT v.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${COLUMNS} FROM governance.product_version WHERE product = asked.key AND version > $2
       ORDER BY version LIMIT $3) v`,
    [products, page.after, page.limit],
    'products_versions_of',
  )
  return rows.map(recordOf)
}

/** Every confirmed version of the products named, or of all, but for those that were cancelled before they took effect. */
export async function selectConfirmed(sql: Sql, products: readonly string[] | undefined): Promise<VersionRecord[]> {
  const rows = await sql.query<VersionRow>(
    `SELECT ${COLUMNS} FROM governance.product_version
     WHERE state = 'confirmed' AND ($1::text[] IS NULL OR product = ANY ($1)) ORDER BY rules_version`,
    [products ?? null],
    'products_confirmed',
  )
  return rows.map(recordOf)
}

/** The numbers of a product so far; no row where the product is unknown. */
export async function selectNumbers(
  sql: Sql,
  { product, version }: VersionKey,
): Promise<{ highest: number | null; isTaken: boolean }> {
  const [row] = await sql.query<{ highest: number | null; isTaken: boolean | null }>(
    `SELECT max(version) AS highest, bool_or(version = $2) AS "isTaken" FROM governance.product_version WHERE product = $1`,
    [product, version],
    'products_numbers',
  )
  return { highest: row?.highest ?? null, isTaken: row?.isTaken ?? false }
}

/** Makes the product with its first version. */
export async function insertVersion(
  act: Act,
  version: Written & { readonly state: VersionState },
): Promise<VersionRecord> {
  await act.sql.query(
    `INSERT INTO governance.product (product, recorded_at) VALUES ($1, $2) ON CONFLICT DO NOTHING`,
    [version.product, timestamptzText(act.at)],
    'products_insert_product',
  )
  await act.prisma.productVersion.create({
    data: {
      product: version.product,
      version: version.version,
      state: version.state,
      ...draftColumns(version),
      createdAt: new Date(act.at),
    },
  })
  return stored(act, version)
}

/** Puts other content in the place of a draft's. */
export async function replaceContent(act: Act, version: Written): Promise<VersionRecord> {
  await act.prisma.productVersion.update({ where: keyOf(version), data: draftColumns(version) })
  return stored(act, version)
}

export async function markSubmitted(
  act: Act,
  version: VersionKey,
  submission: { readonly state: VersionState; readonly by: string },
): Promise<VersionRecord> {
  await act.prisma.productVersion.update({
    where: keyOf(version),
    data: { state: submission.state, submittedAt: new Date(act.at), submittedBy: submission.by },
  })
  return stored(act, version)
}

export async function markConfirmed(
  act: Act,
  version: VersionKey,
  confirmation: {
    readonly state: VersionState
    readonly by: string
    readonly meaning: string
    readonly effectiveFrom: number
    readonly rulesVersion: number
  },
): Promise<VersionRecord> {
  await act.prisma.productVersion.update({
    where: keyOf(version),
    data: {
      state: confirmation.state,
      confirmedAt: new Date(act.at),
      confirmedBy: confirmation.by,
      confirmedMeaning: confirmation.meaning,
      effectiveFrom: new Date(confirmation.effectiveFrom),
      rulesVersion: confirmation.rulesVersion,
    },
  })
  return stored(act, version)
}

export async function markRejected(
  act: Act,
  version: VersionKey,
  stopped: Stopped<VersionState>,
): Promise<VersionRecord> {
  await act.prisma.productVersion.update({ where: keyOf(version), data: rejectedColumns(stopped, act.at) })
  return stored(act, version)
}

/** `rulesVersion` is the one that the cancellation became. */
export async function markCancelled(
  act: Act,
  version: VersionKey,
  { rulesVersion, ...stopped }: Stopped<VersionState> & { readonly rulesVersion: number },
): Promise<VersionRecord> {
  await act.prisma.productVersion.update({
    where: keyOf(version),
    data: { ...cancelledColumns(stopped, act.at), cancelledVersion: rulesVersion },
  })
  return stored(act, version)
}

/** A product and the highest number among its versions. */
export interface ProductRow {
  readonly product: string
  readonly recordedAt: number
  readonly latestVersion: number
}

/** Products in order of their keys, after one. */
export function selectProducts(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
): Promise<ProductRow[]> {
  return sql.query<ProductRow>(
    `SELECT product, recorded_at AS "recordedAt", (
       SELECT max(version) FROM governance.product_version v WHERE v.product = p.product) AS "latestVersion"
     FROM governance.product p WHERE product COLLATE "C" > $1 ORDER BY product COLLATE "C" LIMIT $2`,
    [page.after, page.limit],
    'products_page',
  )
}

export async function selectProduct(sql: Sql, product: string): Promise<ProductRow | undefined> {
  const [row] = await sql.query<ProductRow>(
    `SELECT product, recorded_at AS "recordedAt", (
       SELECT max(version) FROM governance.product_version v WHERE v.product = p.product) AS "latestVersion"
     FROM governance.product p WHERE product = $1`,
    [product],
    'products_product',
  )
  return row
}

/** The products named, in no order. */
export function selectProductsNamed(sql: Sql, products: readonly string[]): Promise<ProductRow[]> {
  return sql.query<ProductRow>(
    `SELECT product, recorded_at AS "recordedAt", (
       SELECT max(version) FROM governance.product_version v WHERE v.product = p.product) AS "latestVersion"
     FROM governance.product p WHERE product = ANY ($1)`,
    [products],
    'products_named',
  )
}

/** When versions took or take effect, without their content. */
export function selectEffects(
  sql: Sql,
  products: readonly string[],
): Promise<{ product: string; version: number; effectiveFrom: number; rulesVersion: number }[]> {
  return sql.query(
    `SELECT product, version, effective_from AS "effectiveFrom", rules_version AS "rulesVersion"
     FROM governance.product_version WHERE state = 'confirmed' AND product = ANY ($1)`,
    [products],
    'products_effects',
  )
}

function keyOf({ product, version }: VersionKey) {
  return { product_version: { product, version } }
}

async function stored(act: Act, key: VersionKey): Promise<VersionRecord> {
  const record = await selectVersion(act.sql, key.product, key.version)
  if (record === undefined) throw new Error(`${nameOf(key)} is not there after it was written`)
  return record
}

/** What still reads as product content; anything else in the database is a bug. */
function recordOf(row: VersionRow): VersionRecord {
  return { ...row, content: ProductContentWire.parse(readStored(row, nameOf(row))) }
}
