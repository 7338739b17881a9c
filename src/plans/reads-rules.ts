import { digestOf } from '../exact/canonical.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { cancellationOf } from '../platform/versioned.ts'
import type { ConfirmedVersion } from '../products/versions.ts'
import { ProductContentWire } from '../products/words.ts'
import { compileTable } from '../rules/compile-table.ts'
import { readPublished } from '../rules/reads.ts'
import { EditionContentWire } from '../rules/words.ts'
import type { Published, RuleBook } from './replay.ts'
import {
  type PublishedTable,
  type RuleTimeline,
  ruleTimeline,
  type TimelineMemory,
  timelineMemory,
} from './rule-timeline.ts'

/**
 * What was published is never changed, so this process keeps what it has read and compiled, and reads only what came
 * since. INVARIANT: an entry is complete up to the rules version it says, because whoever reads has seen that version in
 * an earlier statement. Behind a lost connection there may be another server, whose history is another from some version
 * on: then all of it is dropped.
 */
interface Memory {
  /** `Database.epoch` before the first of it was read. */
  readonly epoch: number
  tablesUpTo: number
  readonly tables: Map<number, PublishedTable>
  readonly timelines: Map<number, RuleTimeline>
  /** Of all timelines: most of what one has worked out holds in the next. */
  readonly workedOut: TimelineMemory
  readonly products: Map<string, ProductEntry>
}

interface ProductEntry {
  readonly upTo: number
  /** None where one of them cannot be read. */
  readonly versions: readonly ConfirmedVersion[]
  readonly unreadable: readonly Published[]
}

/** Products are many and each has few versions; what is dropped is read again. */
const PRODUCTS_MAX = 5_000
/** Timelines grow with what is asked of them. One is used at a time, a second while the sweep of another goes on. */
const TIMELINES_MAX = 4

const memories = new WeakMap<Database, Memory>()

/** The house's rules version now, and the instant, through the clock: milliseconds since the epoch. */
export async function readRulesNow({
  sql,
  clock,
}: Pick<Database, 'sql' | 'clock'>): Promise<{ rulesVersion: number; at: number }> {
  const [row] = await sql.query<{ rulesVersion: number; now: number }>(
    `SELECT rules_version AS "rulesVersion", floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now
     FROM intake.gate WHERE site_id = '*'`,
    [],
    'plans_rules_now',
  )
  if (row === undefined) throw new Error("the gate has no row '*'; are the migrations applied?")
  return { rulesVersion: row.rulesVersion, at: clock.read(row.now) }
}

/**
 * Reads and compiles what is published, where this process remembers nothing yet: before the gate is shared, so that no
 * act waits for it.
 */
export async function warmRules(database: Database): Promise<void> {
  if (memories.get(database)?.epoch === database.epoch()) return
  await readRuleBook(database, database.sql, (await readRulesNow(database)).rulesVersion, [])
}

/**
 * Everything published up to a rules version that was read in an earlier statement, with the versions of these products.
 * An edition that can no longer be read comes as one that nothing can be checked with; a product with such a version
 * comes without versions, so that its revisions are blocked rather than checked with an older one.
 */
export async function readRuleBook(
  database: Database,
  sql: Sql,
  rulesVersion: number,
  products: readonly string[],
): Promise<RuleBook> {
  const memory = memoryOf(database, rulesVersion)
  if (memory.tablesUpTo < rulesVersion) await readTables(database, sql, memory, rulesVersion)
  const versions = await readVersions(database, sql, memory, rulesVersion, products)
  const tables = [...memory.tables.values()]
  return {
    rulesVersion,
    tables,
    versionsOf: (product) => entryOf(versions, product).versions,
    unreadableOf: (product) => entryOf(versions, product).unreadable,
    timelineAt(knownVersion) {
      const kept = memory.timelines.get(knownVersion)
      if (kept !== undefined) return kept
      const made = ruleTimeline(tables, knownVersion, memory.workedOut)
      memory.timelines.set(knownVersion, made)
      dropOldest(memory.timelines, TIMELINES_MAX)
      return made
    },
  }
}

function entryOf(entries: ReadonlyMap<string, ProductEntry>, product: string): ProductEntry {
  const entry = entries.get(product)
  if (entry === undefined) throw new Error(`the versions of ${product} were not loaded`)
  return entry
}

/** What is remembered, unless the server may be another since, or has published less than is remembered. */
function memoryOf(database: Database, rulesVersion: number): Memory {
  const epoch = database.epoch()
  const kept = memories.get(database)
  if (kept !== undefined && kept.epoch === epoch && kept.tablesUpTo <= rulesVersion) return kept
  const made: Memory = {
    epoch,
    tablesUpTo: 0,
    tables: new Map(),
    timelines: new Map(),
    workedOut: timelineMemory(),
    products: new Map(),
  }
  memories.set(database, made)
  return made
}

async function readTables(database: Database, sql: Sql, memory: Memory, rulesVersion: number): Promise<void> {
  const rows = await readPublished(sql, { after: memory.tablesUpTo, upTo: rulesVersion })
  for (const { content, digest, ...row } of rows) {
    // Another reader of this process may have been quicker; its object stays, since others refer to it. Only that it was
    // cancelled since is news; timelines of versions before that hold the object of before, which says the same of them.
    const known = memory.tables.get(row.rulesVersion)
    if (known !== undefined) {
      if (row.cancelled !== undefined) memory.tables.set(row.rulesVersion, { ...known, cancelled: row.cancelled })
      continue
    }
    const compiled = compileStored(content, digest)
    if (typeof compiled === 'string') {
      const facts = { table: row.table, edition: row.edition, because: compiled }
      database.log.error(facts, 'A published edition can no longer be read; every revision is blocked by it.')
    }
    memory.tables.set(row.rulesVersion, { ...row, compiled: typeof compiled === 'string' ? null : compiled })
  }
  memory.tablesUpTo = Math.max(memory.tablesUpTo, rulesVersion)
}

/** The compiled table, or why there is none. */
function compileStored(content: string, digest: string) {
  if (digestOf(content) !== digest) return 'its digest does not fit'
  const read = EditionContentWire.safeParse(JSON.parse(content))
  if (!read.success) return read.error.message
  const compiled = compileTable(read.data)
  return 'refusals' in compiled ? JSON.stringify(compiled.refusals) : compiled.table
}

interface VersionRow {
  readonly product: string
  readonly version: number
  readonly digest: string
  readonly content: string
  readonly effectiveFrom: number
  readonly rulesVersion: number
  readonly publishedAt: number
  readonly cancelledVersion: number | null
  readonly cancelledAt: number | null
}

async function readVersions(
  database: Database,
  sql: Sql,
  memory: Memory,
  rulesVersion: number,
  products: readonly string[],
): Promise<Map<string, ProductEntry>> {
  // Taken now: another reader may store later states, or drop entries, while this one waits for the database.
  const entries = new Map([...new Set(products)].map((product) => [product, memory.products.get(product)]))
  const behind = [...entries].filter(([, entry]) => entry === undefined || entry.upTo < rulesVersion)
  if (behind.length > 0) {
    const { fresh, unreadable } = await readFreshVersions(database, sql, rulesVersion, behind)
    for (const [product, entry] of behind) {
      const lost = unreadable.get(product) ?? []
      const versions = lost.length > 0 ? [] : withFresh(entry?.versions ?? [], fresh.get(product) ?? [])
      const made = { upTo: rulesVersion, versions, unreadable: lost }
      entries.set(product, made)
      // Whoever stored a later state has all of this one in it. One that cannot be read is not kept: it is told again.
      if ((memory.products.get(product)?.upTo ?? -1) >= rulesVersion || lost.length > 0) continue
      memory.products.delete(product)
      memory.products.set(product, made)
    }
    dropOldest(memory.products, PRODUCTS_MAX)
  }
  const none: ProductEntry = { upTo: rulesVersion, versions: [], unreadable: [] }
  return new Map([...entries].map(([product, entry]) => [product, entry ?? none]))
}

async function readFreshVersions(
  database: Database,
  sql: Sql,
  rulesVersion: number,
  behind: readonly (readonly [string, ProductEntry | undefined])[],
) {
  const rows = await sql.query<VersionRow>(
    `SELECT v.product, v.version, v.digest, v.content, v.effective_from AS "effectiveFrom",
            v.rules_version AS "rulesVersion", v.confirmed_at AS "publishedAt",
            v.cancelled_version AS "cancelledVersion", v.cancelled_at AS "cancelledAt"
     FROM unnest($1::text[], $2::int[]) AS asked (product, known_up_to)
     JOIN governance.product_version v ON v.product = asked.product
      AND (v.rules_version > asked.known_up_to OR v.cancelled_version > asked.known_up_to) AND v.rules_version <= $3
     ORDER BY v.rules_version`,
    [behind.map(([product]) => product), behind.map(([, entry]) => entry?.upTo ?? -1), rulesVersion],
    'plans_confirmed_versions',
  )
  const fresh = new Map<string, ConfirmedVersion[]>()
  const unreadable = new Map<string, Published[]>()
  for (const { content, cancelledVersion, cancelledAt, ...row } of rows) {
    const read = digestOf(content) === row.digest ? ProductContentWire.safeParse(JSON.parse(content)) : undefined
    if (read?.success) {
      const list = fresh.get(row.product) ?? []
      const cancelled = cancellationOf(cancelledVersion, cancelledAt, rulesVersion)
      list.push({ ...row, content: read.data, cancelled })
      fresh.set(row.product, list)
    } else {
      const because = read?.error.message ?? 'its digest does not fit'
      const facts = { product: row.product, version: row.version, because }
      database.log.error(facts, 'A product version can no longer be read; the plans for the product are blocked by it.')
      const list = unreadable.get(row.product) ?? []
      list.push({ rulesVersion: row.rulesVersion, publishedAt: row.publishedAt })
      unreadable.set(row.product, list)
    }
  }
  return { fresh, unreadable }
}

/** In the order of confirmation; one that is among both was cancelled since. */
function withFresh(known: readonly ConfirmedVersion[], fresh: readonly ConfirmedVersion[]): ConfirmedVersion[] {
  const byVersion = new Map(known.map((one) => [one.rulesVersion, one]))
  for (const one of fresh) byVersion.set(one.rulesVersion, one)
  return [...byVersion.values()].sort((one, other) => one.rulesVersion - other.rulesVersion)
}

function dropOldest(map: Map<unknown, unknown>, sizeMax: number): void {
  for (const key of map.keys()) {
    if (map.size <= sizeMax) return
    map.delete(key)
  }
}
