import { type InstrumentAssignment, instrumentAt } from './instrument-assignment.ts'
import { type Programming, programmingAt } from './programming.ts'
import type { Capabilities } from './words.ts'

/** A station at which a plan is used, or could be from its approval on. */
export interface ReachedStation {
  readonly station: string
  readonly site: string
  /** Which stands there now. */
  readonly instrument: string | null
  /** Null where the instrument keeps no programs, or where no revision of the plan is keyed into it. */
  readonly programming: Pick<Programming, 'programming' | 'revision' | 'revisionDigest'> | null
  readonly keepsPrograms: boolean
}

export interface ReachFacts {
  readonly stations: readonly {
    readonly station: string
    readonly site: string
    /** A plan for the product and operation was once keyed in there. */
    readonly wasProgrammed: boolean
  }[]
  /** Every row of these stations and of every instrument that ever stood at one. */
  readonly assignments: readonly InstrumentAssignment[]
  readonly programmings: readonly Programming[]
  readonly capabilities: ReadonlyMap<string, Capabilities>
}

/**
 * The stations that a plan reaches at `at`, by all that is known now: those that it, or another plan for its product and
 * operation, was once keyed in at; and those whose instrument keeps no programs and can do all of its `kinds`.
 */
export function stationsReached(
  facts: ReachFacts,
  asked: { readonly plan: string; readonly kinds: ReadonlySet<string> },
  at: number,
): ReachedStation[] {
  return facts.stations.flatMap(({ station, site, wasProgrammed }) => {
    const instrument = instrumentAt(facts.assignments, station, at)?.instrument ?? null
    const capabilities = instrument === null ? undefined : facts.capabilities.get(instrument)
    const keepsPrograms = capabilities?.programs != null
    const canTest = capabilities !== undefined && !keepsPrograms && canDo(capabilities, asked.kinds)
    if (!wasProgrammed && !canTest) return []
    const programming = instrument === null ? null : currentProgramming(facts, { station, instrument, ...asked }, at)
    return [{ station, site, instrument, programming, keepsPrograms }]
  })
}

function canDo({ kinds }: Capabilities, wanted: ReadonlySet<string>): boolean {
  const known = new Set<string>(kinds.map(({ kind }) => kind))
  return [...wanted].every((kind) => known.has(kind))
}

/** The programming of any revision of the plan that stands in the instrument there; the one keyed last. */
function currentProgramming(
  { programmings, assignments }: ReachFacts,
  asked: { readonly station: string; readonly instrument: string; readonly plan: string },
  at: number,
): ReachedStation['programming'] {
  let latest: Programming | undefined
  for (const programming of programmings) {
    if (programming.station !== asked.station || programming.instrument !== asked.instrument) continue
    if (programming.plan !== asked.plan) continue
    if (programmingAt({ programming, others: programmings, assignments }, at).state !== 'current') continue
    if (latest === undefined || programming.at > latest.at) latest = programming
  }
  return latest === undefined
    ? null
    : { programming: latest.programming, revision: latest.revision, revisionDigest: latest.revisionDigest }
}
