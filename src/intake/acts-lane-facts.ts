import { emptyFacts, type Fact, type FactKey, type Facts, forget, withFacts } from '../judging/facts.ts'
import type { IntakePort } from './port.ts'

/** What a site's lane remembers between commits. */
export interface RememberedFacts {
  readonly site: string
  /** By which uploads are decided; undefined where the next one must read them. */
  facts: Facts | undefined
  /** Of the database that the facts were read from. */
  epoch: number
}

/** Facts of one site beyond this many are dropped whole and read again at need, so that memory stays bounded. */
const FACTS_MAX = 20_000

/** The facts kept, if the database is still the one that they were read from. */
export function knownFacts(port: IntakePort, lane: RememberedFacts): Facts | undefined {
  return lane.epoch === port.epoch() ? lane.facts : undefined
}

/** Reads what is missing under a share of the gate, so that the facts are of one version of it. */
export async function loadLaneFacts(
  port: IntakePort,
  lane: RememberedFacts,
  needs: readonly FactKey[],
): Promise<Facts> {
  return await port.inCommit(async (commit) => {
    const share = await commit.shareGate(lane.site)
    if (share === undefined) throw new Error(`site ${lane.site} has no row in the gate`)
    // Asked on the connection that reads, so that facts and epoch are of one database.
    const epoch = port.epoch()
    const known = knownFacts(port, lane)
    const isKept = known !== undefined && known.version <= share.version && known.entries.size <= FACTS_MAX
    const start = !isKept
      ? emptyFacts(lane.site, share)
      : known.version === share.version
        ? known
        : forget(known, await commit.changesSince(lane.site, known.version), share)
    const facts = await commit.loadFacts(start, needs)
    // A gate that stands before what is known has lost acts: what is known is of no history any more.
    if (!isKept) lane.facts = undefined
    keepFacts(lane, facts, epoch)
    return facts
  })
}

/**
 * Keeps the newer facts; of two of one version, all entries of both. A revision without its check is never kept: a check
 * raises no version of the gate, so that its absence could not be forgotten.
 */
export function keepFacts(lane: RememberedFacts, facts: Facts, epoch: number): void {
  const known = lane.epoch === epoch ? lane.facts : undefined
  if (known === facts || (known !== undefined && known.version > facts.version)) return
  const lasting = [...facts.entries].filter(([, fact]) => fact?.kind !== 'revision' || fact.check !== null)
  const start = known?.version === facts.version ? known : { ...facts, entries: new Map<FactKey, Fact | null>() }
  lane.facts = withFacts(start, lasting)
  lane.epoch = epoch
}
