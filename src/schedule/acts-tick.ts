import { writeInstant } from '../exact/time.ts'
import { type Recording, recordEntry } from '../ledger/acts.ts'
import type { ArrivalKind } from '../ledger/words.ts'
import { ensureMonths } from '../platform/database/partitions.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction } from '../platform/database/transaction.ts'
import { shareGate } from '../platform/gate.ts'
import {
  type Arrival,
  holdTicker,
  insertTold,
  isAnythingUntold,
  moveTicker,
  selectArrived,
  selectUntoldBlocks,
} from './store.ts'

/** Entries of one transaction: acts wait for it, since it shares the gate. */
const PAGE_MAX = 200

const MINUTE_MS = 60_000

/** The house's row of the gate. */
const HOUSE = '*'

/**
 * Tells the feed of instants that have arrived: what took effect, came into force, ended, or is blocked from then on.
 * Nothing happens at an instant, so nothing depends on this; but each is told once, by whichever process is first, also
 * where all were down when it came. INVARIANT: with the gate shared every act before now is seen, and every later one
 * names later instants, since none takes effect before its commit and none is dated before an entry that stands.
 */
export async function tickPage(database: Database, { pageMax = PAGE_MAX } = {}): Promise<'settled' | 'more'> {
  const now = await readNow(database)
  if (!(await isAnythingUntold(database.sql, now))) return 'settled'
  await ensureMonths(database, [now.at, now.at + MINUTE_MS], ['ledger_entries'])
  return inTransaction(database, async (sql) => {
    const gate = await shareGate(sql, database.clock, HOUSE)
    if (gate === undefined) throw new Error("the gate has no row '*'; are the migrations applied?")
    const after = await holdTicker(sql)
    // Another process is at it, and looks again itself.
    if (after === undefined) return 'settled'
    const { at, rulesVersion } = gate
    const recording: Recording = { sql, ids: database.ids, at, key: null }
    const arrived = await selectArrived(sql, { after, upTo: at, limit: pageMax })
    for (const one of arrived) await record(recording, one)
    // To the last that was told and no further: an act after a clock was set back is dated after what is recorded.
    const last = arrived.at(-1)
    if (last !== undefined) await moveTicker(sql, last.at)
    const blocks = await selectUntoldBlocks(sql, { rulesVersion, at, limit: pageMax })
    for (const one of blocks) await record(recording, one)
    if (blocks.length > 0) await insertTold(sql, blocks)
    return arrived.length < pageMax && blocks.length < pageMax ? 'settled' : 'more'
  })
}

async function readNow({ sql, clock }: Database): Promise<{ readonly at: number; readonly rulesVersion: number }> {
  const [row] = await sql.query<{ now: number; rulesVersion: number }>(
    `SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now, rules_version AS "rulesVersion"
     FROM intake.gate WHERE site_id = '*'`,
    [],
    'schedule_now',
  )
  if (row === undefined) throw new Error("the gate has no row '*'; are the migrations applied?")
  return { at: clock.read(row.now), rulesVersion: row.rulesVersion }
}

const told: Readonly<
  Record<Arrival['kind'], { readonly action: ArrivalKind; readonly subject: (key: string) => string }>
> = {
  edition: { action: 'editionTookEffect', subject: (table) => `rule-tables/${table}/editions` },
  version: { action: 'versionTookEffect', subject: (product) => `products/${product}/versions` },
  'in-force': { action: 'revisionCameIntoForce', subject: (plan) => `plans/${plan}/revisions` },
  ended: { action: 'revisionEnded', subject: (plan) => `plans/${plan}/revisions` },
  block: { action: 'blockBegan', subject: (plan) => `plans/${plan}/revisions` },
}

async function record(recording: Recording, { at, kind, key, number, digest, sites, variants, causes }: Arrival) {
  const { action, subject } = told[kind]
  const named = (variants ?? []).filter((variant) => variant !== '').sort()
  const facts = {
    at: writeInstant(at),
    digest,
    sites: sites === null ? null : [...sites].sort(),
    variants: named.length === 0 ? null : named,
    causes: causes === null ? null : JSON.parse(causes),
  }
  await recordEntry(recording, { action, by: 'service', subject: `${subject(key)}/${number}`, facts })
}
