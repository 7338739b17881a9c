import { writeInstant } from '../exact/time.ts'
import type { Sql } from '../platform/database/sql.ts'
import { productNotFound, type VersionKey, type VersionRecord, versionNotFound, writeVersion } from './record.ts'
import {
  type ProductRow,
  selectConfirmed,
  selectEffects,
  selectProduct,
  selectProducts,
  selectProductsNamed,
  selectVersion,
  selectVersions,
  selectVersionsNamed,
  selectVersionsOf,
} from './store.ts'
import { type ConfirmedVersion, versionInEffect } from './versions.ts'
import type { Product, ProductVersion } from './words.ts'

/**
 * The confirmed versions of one product, those that take effect later included.
 * Plans and judging ask for them; `versionInEffect` picks.
 */
export function readConfirmedVersions(sql: Sql, product: string): Promise<ConfirmedVersion[]> {
  return readAllConfirmedVersions(sql, [product])
}

/** The confirmed versions of several products in one statement, in the order of their confirmation; of all without a list. */
export async function readAllConfirmedVersions(sql: Sql, products?: readonly string[]): Promise<ConfirmedVersion[]> {
  return (await selectConfirmed(sql, products)).map(confirmedOf)
}

/** @throws Problem `version-not-found` */
export async function getVersion(sql: Sql, product: string, version: number): Promise<ProductVersion> {
  const record = await selectVersion(sql, product, version)
  if (record === undefined) throw versionNotFound({ product, version })
  return answerVersion(sql, record)
}

/**
 * The versions of a product, ascending. One more than `limit` where there are more.
 * @throws Problem `product-not-found`
 */
export async function listVersions(
  sql: Sql,
  product: string,
  page: { readonly after: number; readonly limit: number },
): Promise<ProductVersion[]> {
  const records = await selectVersions(sql, product, { after: page.after, limit: page.limit + 1 })
  if (records.length === 0 && (await selectProduct(sql, product)) === undefined) throw productNotFound(product)
  return answerVersions(sql, records)
}

/** @throws Problem `product-not-found` */
export async function getProduct(sql: Sql, product: string, at: number): Promise<Product> {
  const row = await selectProduct(sql, product)
  if (row === undefined) throw productNotFound(product)
  const [written] = await withEffects(sql, [row], at)
  if (written === undefined) throw new Error('one row gives one product')
  return written
}

/** Products in order of their keys, with the version in effect at `at`. One more than `limit` where there are more. */
export async function listProducts(
  sql: Sql,
  page: { readonly after: string; readonly limit: number },
  at: number,
): Promise<Product[]> {
  return withEffects(sql, await selectProducts(sql, { after: page.after, limit: page.limit + 1 }), at)
}

/** The products named, in no order, with the version in effect at `at`; those that are not there are left out. */
export async function readProducts(sql: Sql, products: readonly string[], at: number): Promise<Product[]> {
  return withEffects(sql, await selectProductsNamed(sql, products), at)
}

/** The versions named, in no order; those that are not there are left out. */
export async function readVersions(sql: Sql, keys: readonly VersionKey[]): Promise<ProductVersion[]> {
  return answerVersions(sql, await selectVersionsNamed(sql, keys))
}

/** The same page of versions of each of these products, ascending. One more than `limit` where there are more. */
export async function readVersionsOf(
  sql: Sql,
  products: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<ProductVersion[]> {
  const records = await selectVersionsOf(sql, products, { after: page.after, limit: page.limit + 1 })
  return answerVersions(sql, records)
}

/** The answer for a version just read or written, with its warnings. */
export async function answerVersion(sql: Sql, record: VersionRecord): Promise<ProductVersion> {
  const [answer] = await answerVersions(sql, [record])
  if (answer === undefined) throw new Error('one record gives one answer')
  return answer
}

async function answerVersions(sql: Sql, records: readonly VersionRecord[]): Promise<ProductVersion[]> {
  const named = new Set(records.flatMap(({ content }) => content.ruleSets))
  const rows = await sql.query<{ ruleSet: string }>(
    'SELECT rule_set AS "ruleSet" FROM governance.rule_set WHERE rule_set = ANY ($1)',
    [[...named]],
    'products_rule_sets_known',
  )
  const known = new Set(rows.map(({ ruleSet }) => ruleSet))
  return records.map((record) => writeVersion(record, (ruleSet) => known.has(ruleSet)))
}

async function withEffects(sql: Sql, rows: readonly ProductRow[], at: number): Promise<Product[]> {
  const effects = await selectEffects(
    sql,
    rows.map(({ product }) => product),
  )
  const known = Number.POSITIVE_INFINITY
  return rows.map(({ product, recordedAt, latestVersion }) => ({
    product,
    recordedAt: writeInstant(recordedAt),
    latestVersion,
    versionInEffect:
      versionInEffect(
        effects.filter((one) => one.product === product),
        at,
        known,
      )?.version ?? null,
  }))
}

function confirmedOf(record: VersionRecord): ConfirmedVersion {
  const { product, version, digest, content, effectiveFrom, rulesVersion, confirmedAt } = record
  if (effectiveFrom === null || rulesVersion === null || confirmedAt === null) {
    throw new Error(`version ${version} of ${product} is confirmed, yet without an instant or rules version`)
  }
  return { product, version, digest, content, effectiveFrom, rulesVersion, publishedAt: confirmedAt }
}
