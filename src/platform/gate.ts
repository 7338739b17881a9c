import type { Prisma } from '../generated/prisma/client.ts'
import type { Clock } from './clock.ts'
import { ensureMonths } from './database/partitions.ts'
import type { Database } from './database/pool.ts'
import { type Sql, timestamptzText } from './database/sql.ts'
import { withRetries } from './database/transaction.ts'
import type { Ids } from './ids.ts'
import { Problem } from './problems.ts'

/**
 * The gate orders acts and uploads. `intake.gate` has a row per site and the row `*` for the house. An act locks the
 * table, so that it waits for uploads in flight and holds new ones back; an upload shares its site's row until its
 * commit. Hence every accepted run either committed before an act began, or saw it. Lock order, everywhere: gate,
 * revisions, upload keys, units, permits, appended rows.
 */

/** What an act changed, as named in `gate_changes`. `key` of a revision is `<plan>/<revision>`; of rules, the table. */
export const changeKinds = [
  'site',
  'station',
  'instrument',
  'programming',
  'person',
  'key',
  'product',
  'rules',
  'revision',
] as const
export type ChangeKind = (typeof changeKinds)[number]

export interface Change {
  readonly kind: ChangeKind
  readonly key: string
}

/** One change of what may count, while it is being made. */
export interface Act {
  readonly prisma: Prisma.TransactionClient
  /** Hand-written SQL in the same transaction. */
  readonly sql: Sql
  readonly ids: Ids
  /** The access key that it is done with, for the ledger; null where the service itself acts. */
  readonly key: string | null
  /** The instant of the act, t: milliseconds since the epoch, never before that of an earlier act. */
  readonly at: number
  /** The house's rules version before this act. */
  readonly rulesVersion: number
  /**
   * The instant from which it takes effect: t + 1 ms for 'at-once'. One that is not after t throws the Problem
   * `effective-instant-passed`, naming `pointer` (RFC 6901, into the request body).
   */
  effectiveAt(asked: number | 'at-once', pointer: string): number
  /** The instant of a dated fact: any past one; after t throws the Problem `instant-in-future` naming `pointer`. */
  datedAt(asked: number, pointer: string): number
  /** Says what was changed; every site named (or all, and the house) gets a new version. */
  touch(kind: ChangeKind, key: string, sites: 'all' | readonly string[]): void
  /** Counts the rules version up, once per act and for all sites; gives the new one. */
  raiseRules(): number
  /** Gives a new site its row, like the house's; false where it has one already. Touch the site afterwards. */
  openSite(site: string): Promise<boolean>
}

/** An act holds back all uploads, so it has this long from the moment it holds the gate. */
const ACT_TIME_MAX_MS = 2_000
/** For Prisma, which counts the wait for uploads in flight as well (at most a statement's ten seconds). */
const ACT_WITH_WAIT_MAX_MS = 13_000
const CONNECT_WAIT_MAX_MS = 5_000
const DAY_MS = 86_400_000
/** NOTIFY takes less than 8,000 bytes; more sites than fit are named by the star. */
const NOTIFY_BYTES_MAX = 7_000

/**
 * Runs `work` as one act: the gate first and alone, then the clock, then `work`, then versions, changes and NOTIFY, all
 * in one transaction. `work` may run several times. It must read again what the signer saw, and must not scan or check.
 */
export async function runAct<T>(
  database: Database,
  work: (act: Act) => Promise<T>,
  key: string | null = null,
): Promise<T> {
  // Acts append to the ledger, and its month must be there before the transaction. The gate's instant may differ from
  // this process's clock by hours at most; where a clock was set back, the months of earlier acts are there.
  const about = database.clock.read(Date.now())
  await ensureMonths(database, [about - DAY_MS, about, about + DAY_MS], ['ledger_entries'])
  return withRetries(() =>
    database.prisma.$transaction(
      async (prisma) => {
        const sql = await database.sqlOf(prisma)
        await sql.query('LOCK TABLE intake.gate IN EXCLUSIVE MODE')
        return await inTime(underGate(database, prisma, sql, work, key))
      },
      { isolationLevel: 'ReadCommitted', maxWait: CONNECT_WAIT_MAX_MS, timeout: ACT_WITH_WAIT_MAX_MS },
    ),
  )
}

async function inTime<T>(work: Promise<T>): Promise<T> {
  let timer: NodeJS.Timeout | undefined
  const late = new Promise<never>((_, reject) => {
    timer = setTimeout(
      () =>
        reject(
          new Problem('overloaded', {
            detail: 'The change took too long while uploads were waiting, and was not made. Send it again.',
            headers: { 'retry-after': '1' },
          }),
        ),
      ACT_TIME_MAX_MS,
    )
  })
  try {
    return await Promise.race([work, late])
  } finally {
    clearTimeout(timer)
  }
}

async function underGate<T>(
  database: Database,
  prisma: Prisma.TransactionClient,
  sql: Sql,
  work: (act: Act) => Promise<T>,
  key: string | null,
): Promise<T> {
  const [house] = await sql.query<{ now: number; last: number; rules_version: number }>(
    `SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now, max(recorded_at) AS last,
            max(rules_version) FILTER (WHERE site_id = '*') AS rules_version FROM intake.gate`,
    [],
    'gate_act_begins',
  )
  if (!house || house.rules_version === null) throw new Error("the gate has no row '*'; are the migrations applied?")
  // Not before the last act or the last commit of uploads anywhere, so that a clock set back cannot reopen the past.
  const now = database.clock.read(house.now)
  const at = Math.max(now, house.last, await lastUploadAfter(sql, now))
  const rulesVersion = house.rules_version
  const changes: (Change & { readonly sites: 'all' | readonly string[] })[] = []
  let rulesVersionAfter = rulesVersion
  const act: Act = {
    prisma,
    sql,
    ids: database.ids,
    key,
    at,
    rulesVersion,
    effectiveAt(asked, pointer) {
      if (asked === 'at-once') return at + 1
      if (asked > at) return asked
      throw refusedInstant('effective-instant-passed', pointer, asked, at, 'must lie after this act')
    },
    datedAt(asked, pointer) {
      if (asked <= at) return asked
      throw refusedInstant('instant-in-future', pointer, asked, at, 'must not lie after this act')
    },
    touch(kind, key, sites) {
      changes.push({ kind, key, sites })
    },
    raiseRules() {
      rulesVersionAfter = rulesVersion + 1
      return rulesVersionAfter
    },
    async openSite(site) {
      const made = await sql.query(
        `INSERT INTO intake.gate (site_id, version, rules_version, recorded_at)
         SELECT $1, version, rules_version, $2 FROM intake.gate WHERE site_id = '*'
         ON CONFLICT DO NOTHING RETURNING site_id`,
        [site, timestamptzText(at)],
      )
      return made.length === 1
    },
  }
  const result = await work(act)
  await recordChanges(sql, at, changes, rulesVersionAfter === rulesVersion ? undefined : rulesVersionAfter)
  return result
}

/** The latest entry of uploads at or after an instant; the instant itself where there is none, as on every healthy day. */
async function lastUploadAfter(sql: Sql, at: number): Promise<number> {
  const [row] = await sql.query<{ last: number | null }>(
    `SELECT max(entry.last) AS last FROM intake.gate
     CROSS JOIN LATERAL (SELECT max(recorded_at) AS last FROM intake.ledger_entries e
       WHERE e.site_id = gate.site_id AND e.recorded_at >= $1) entry`,
    [timestamptzText(at)],
    'gate_last_upload',
  )
  return row?.last ?? at
}

function refusedInstant(
  key: 'effective-instant-passed' | 'instant-in-future',
  pointer: string,
  asked: number,
  at: number,
  rule: string,
): Problem {
  const detail = `${timestamptzText(asked)} ${rule}, which is made at ${timestamptzText(at)}.`
  return new Problem(key, { detail, errors: [{ pointer, detail, code: key, in: 'body' }] })
}

/** Raises versions and appends the changes; nothing touched, nothing raised. */
async function recordChanges(
  sql: Sql,
  at: number,
  changes: readonly (Change & { readonly sites: 'all' | readonly string[] })[],
  rulesVersion: number | undefined,
): Promise<void> {
  const isAll = rulesVersion !== undefined || changes.some((change) => change.sites === 'all')
  const named = [...new Set(changes.flatMap((change) => (change.sites === 'all' ? [] : change.sites)))].sort()
  if (!isAll && named.length === 0) return
  const touched = await sql.query<{ site_id: string; version: number }>(
    `UPDATE intake.gate SET version = version + 1, rules_version = coalesce($1, rules_version), recorded_at = $2
     WHERE $3 OR site_id = ANY ($4) RETURNING site_id, version`,
    [rulesVersion ?? null, timestamptzText(at), isAll, named],
    'gate_act_raises',
  )
  const versions = new Map(touched.map((row) => [row.site_id, row.version]))
  const rows = new Map<string, readonly [string, number, ChangeKind, string]>()
  for (const { kind, key, sites } of changes) {
    for (const site of sites === 'all' ? versions.keys() : sites) {
      const version = versions.get(site)
      if (version === undefined) throw new Error(`the act touches site ${site}, which has no row in the gate`)
      rows.set(JSON.stringify([site, kind, key]), [site, version, kind, key])
    }
  }
  const columns = [...rows.values()]
  await sql.query(
    `INSERT INTO intake.gate_changes (site_id, version, kind, key)
     SELECT * FROM unnest($1::text[], $2::int8[], $3::text[], $4::text[])`,
    [0, 1, 2, 3].map((index) => columns.map((row) => row[index])),
    'gate_act_changes',
  )
  const list = named.join(',')
  await sql.query('SELECT pg_notify($1, $2)', [
    'gate',
    isAll || Buffer.byteLength(list) > NOTIFY_BYTES_MAX ? '*' : list,
  ])
}

/** A site's row as an upload found it, and holds it until its commit. */
export interface GateShare {
  readonly version: number
  readonly rulesVersion: number
  /** The clock at the gate, through the Clock: milliseconds since the epoch. */
  readonly at: number
  /** The database's own clock, for ReceivedClock.observe. */
  readonly databaseAt: number
}

/** Takes the upload's share of its site's row: first and alone in the transaction. Undefined: there is no such site. */
export async function shareGate(sql: Sql, clock: Clock, site: string): Promise<GateShare | undefined> {
  const [row] = await sql.query<{ version: number; rules_version: number; now: number }>(
    `SELECT version, rules_version, floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now
     FROM intake.gate WHERE site_id = $1 FOR SHARE`,
    [site],
    'gate_share',
  )
  return row && { version: row.version, rulesVersion: row.rules_version, at: clock.read(row.now), databaseAt: row.now }
}

/** What acts touched at `site` after `version`, each once. */
export function readChangesSince(sql: Sql, site: string, version: number): Promise<Change[]> {
  return sql.query<Change>(
    'SELECT DISTINCT kind, key FROM intake.gate_changes WHERE site_id = $1 AND version > $2 ORDER BY kind, key',
    [site, version],
    'gate_changes_since',
  )
}
