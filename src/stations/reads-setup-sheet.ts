import type { Database } from '../platform/database/pool.ts'
import { inTransaction, type Sql } from '../platform/database/transaction.ts'
import { shareGate } from '../platform/gate.ts'
import { Problem } from '../platform/problems.ts'
import { getVersion } from '../products/reads.ts'
import { variantNames } from '../products/versions.ts'
import { stationNotFound } from './acts.ts'
import { holds, instrumentAt } from './instrument-assignment.ts'
import { latestProgramming } from './programming.ts'
import { readRevisionForSheet } from './reads-revision.ts'
import type { StationRecord } from './record.ts'
import { type SheetFacts, setupSheet } from './setup-sheet.ts'
import type { SetupSheet } from './setup-sheet-words.ts'
import { selectAssignmentsAround, selectInstrument, selectProgrammingsOf, selectStation } from './store.ts'

export interface SheetAsked {
  readonly plan: string
  readonly revision: number
  readonly variant?: string | null | undefined
  readonly station?: string | null | undefined
  /** In place of the one that stands at the station now: whether it would take the revision. */
  readonly instrument?: string | null | undefined
}

/**
 * The setup sheet of a revision: for one variant or all, and for an instrument, or the one that stands at a station now,
 * where one is named.
 * @throws Problem `revision-not-found`, `variant-not-found`, `station-not-found`, `instrument-not-found`
 */
export async function getSetupSheet(database: Database, asked: SheetAsked): Promise<SetupSheet> {
  return inTransaction(database, async (sql) => {
    const station = asked.station ? await findStation(sql, asked.station) : undefined
    // Of the house where no station is named: its row has the same rules version and clock.
    const share = await shareGate(sql, database.clock, station?.site ?? '*')
    if (share === undefined) throw new Error('the gate has no row of the site')
    const of = { plan: asked.plan, revision: asked.revision, site: station?.site }
    const revision = await readRevisionForSheet(sql, of, share.at, share.rulesVersion)
    if (revision === undefined) {
      throw new Problem('revision-not-found', { detail: `There is no revision ${asked.revision} of ${asked.plan}.` })
    }
    const { content, digest, state } = revision
    const product = (await getVersion(sql, content.product, content.productVersion)).content
    const variants = variantNames(product)
    const variant = asked.variant ?? undefined
    if (variant !== undefined && !variants.includes(variant)) {
      const detail = `Version ${content.productVersion} of ${content.product} has no variant ${variant}.`
      throw new Problem('variant-not-found', { detail })
    }
    const cited = { plan: asked.plan, revision: asked.revision, revisionDigest: digest }
    return setupSheet({
      ...cited,
      state,
      content,
      productName: product.name,
      at: share.at,
      variants,
      variant,
      station: station && { station: station.station, name: station.name, site: station.site },
      ...(await readInstrument(sql, { station, instrument: asked.instrument ?? undefined, cited }, share.at)),
      revisionNow: {
        isInForce: revision.isInForce,
        isChecked: revision.isChecked,
        isBlocked: revision.blocks.some((block) => holds(block, share.at)),
      },
      stated: revision.stated,
    })
  })
}

async function findStation(sql: Sql, station: string): Promise<StationRecord> {
  const found = await selectStation(sql, station)
  if (found === undefined) throw stationNotFound(station)
  return found
}

interface InstrumentAsked {
  readonly station: StationRecord | undefined
  readonly instrument: string | undefined
  readonly cited: { readonly plan: string; readonly revision: number; readonly revisionDigest: string }
}

/** The instrument asked for, or the one that stands there now, and the programs in which the revision stands in it there. */
async function readInstrument(
  sql: Sql,
  { station, instrument: named, cited }: InstrumentAsked,
  at: number,
): Promise<Pick<SheetFacts, 'instrument' | 'programs'>> {
  const assignments = station === undefined ? [] : await selectAssignmentsAround(sql, station.station)
  const key = named ?? (station && instrumentAt(assignments, station.station, at)?.instrument)
  if (key === undefined) return { instrument: undefined, programs: [] }
  const instrument = await selectInstrument(sql, key)
  if (instrument === undefined) {
    throw new Problem('instrument-not-found', { detail: `There is no instrument ${key}.` })
  }
  if (station === undefined) return { instrument, programs: [] }
  const programmings = await selectProgrammingsOf(sql, [key])
  const place = { station: station.station, instrument: key }
  const found = latestProgramming({ programmings, assignments }, { ...place, ...cited }, at)
  return { instrument, programs: found?.programming.programs ?? [] }
}
