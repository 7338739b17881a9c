import { isKnownAt } from '../platform/versioned.ts'
import { attributeValues, type ConfirmedVersion } from '../products/versions.ts'
import type { CompiledTable } from '../rules/compile-table.ts'
import type { Attributes } from '../rules/inputs.ts'
import { type EditionInEffect, type Requirement, requirementsFor } from '../rules/requirements.ts'
import { editionsInEffect, type Publication } from '../rules/timeline.ts'
import type { Subject } from '../rules/words.ts'
import type { ProductSubject } from './physics.ts'
import { type Connections, connectionsOf } from './product-match.ts'

/** A published edition. `compiled` null: its content can no longer be read, so that nothing can be checked with it. */
export interface PublishedTable extends Publication {
  readonly compiled: CompiledTable | null
}

/** What a step states of itself, as far as rules ask for it. */
export interface StepAttributes {
  readonly insulation?: string | undefined
  readonly network?: string | undefined
  readonly detector?: string | undefined
  readonly method?: string | undefined
}

/**
 * The editions as known at one rules version, along time. It remembers what it has worked out, so one timeline should
 * serve all revisions that are checked at its version; what it answers does not depend on what was asked before.
 */
export interface RuleTimeline {
  readonly knownVersion: number
  /** The instants, ascending, at which what is in effect changes. */
  readonly instants: readonly number[]
  connectionsOf(version: ConfirmedVersion): Connections
  /** One variant of a product version; RangeError where the version has no such variant. */
  subjectOf(version: ConfirmedVersion, variant: string): ProductSubject
  /** Editions in effect at an instant that cannot be read. */
  unreadableAt(at: number): readonly Publication[]
  /** The rule sets that some table in effect at an instant belongs to. */
  ruleSetsAt(at: number): ReadonlySet<string>
  /** What is demanded at an instant. While the same editions are in effect, the same array. */
  requirementsAt(at: number, asked: Asked): readonly Requirement[]
}

export interface Asked {
  readonly subject: Subject
  readonly version: ConfirmedVersion
  readonly variant: string
  readonly step: StepAttributes
}

/** Editions of the tables about each subject between two instants. A list that does not change is the same array. */
interface Interval {
  readonly unreadable: readonly Publication[]
  readonly ruleSets: ReadonlySet<string>
  readonly bySubject: ReadonlyMap<Subject, readonly EditionInEffect[]>
}

/** Each rules version publishes one edition at most, so its number stands for it. */
interface Published {
  readonly rulesVersion: number
  readonly edition: EditionInEffect
}

const none: readonly EditionInEffect[] = []

export function ruleTimeline(tables: Iterable<PublishedTable>, knownVersion: number): RuleTimeline {
  const known = [...tables].filter((table) => isKnownAt(table, knownVersion))
  const instants = [...new Set(known.map(({ effectiveFrom }) => effectiveFrom))].sort((a, b) => a - b)
  const shared = new Map<string, readonly EditionInEffect[]>()
  const intervals = new Map<number, Interval>()
  const requirements = new WeakMap<readonly EditionInEffect[], WeakMap<ConfirmedVersion, Map<string, Requirement[]>>>()
  const subjects = new WeakMap<ConfirmedVersion, Map<string, ProductSubject>>()
  const connections = new WeakMap<ConfirmedVersion, Connections>()

  function intervalAt(at: number): Interval {
    const index = countUpTo(instants, at)
    const before = intervals.get(index)
    if (before) return before
    const inEffect = [...editionsInEffect(known, at, knownVersion).values()]
    // The order of the tables is theirs, whatever order they were read in.
    inEffect.sort((a, b) => (a.table < b.table ? -1 : 1))
    const bySubject = new Map<Subject, Published[]>()
    for (const { compiled: table, rulesVersion, bindsBecause } of inEffect) {
      if (table === null) continue
      const list = bySubject.get(table.subject)
      const published = { rulesVersion, edition: { table, bindsBecause } }
      if (list) list.push(published)
      else bySubject.set(table.subject, [published])
    }
    const interval: Interval = {
      unreadable: inEffect.filter(({ compiled }) => compiled === null),
      ruleSets: new Set(inEffect.flatMap(({ compiled }) => compiled?.ruleSet ?? [])),
      bySubject: new Map([...bySubject].map(([subject, list]) => [subject, share(subject, list)])),
    }
    intervals.set(index, interval)
    return interval
  }

  function share(subject: Subject, list: readonly Published[]): readonly EditionInEffect[] {
    const key = `${subject} ${list.map(({ rulesVersion }) => rulesVersion).join(' ')}`
    return remember(shared, key, () => list.map(({ edition }) => edition))
  }

  function subjectOf(version: ConfirmedVersion, variant: string): ProductSubject {
    const ofVersion = remember(subjects, version, () => new Map<string, ProductSubject>())
    return remember(ofVersion, variant, () => ({
      variant,
      attributes: attributeValues(version.content, variant),
      connections: connectionsOfVersion(version),
    }))
  }

  function connectionsOfVersion(version: ConfirmedVersion): Connections {
    return remember(connections, version, () => connectionsOf(version.content))
  }

  return {
    knownVersion,
    instants,
    connectionsOf: connectionsOfVersion,
    subjectOf,
    unreadableAt: (at) => intervalAt(at).unreadable,
    ruleSetsAt: (at) => intervalAt(at).ruleSets,
    requirementsAt(at, { subject, version, variant, step }) {
      const list = intervalAt(at).bySubject.get(subject) ?? none
      const ofList = remember(requirements, list, () => new WeakMap<ConfirmedVersion, Map<string, Requirement[]>>())
      const ofVersion = remember(ofList, version, () => new Map<string, Requirement[]>())
      const key = [subject, variant, step.insulation, step.network, step.detector, step.method].join(' ')
      return remember(ofVersion, key, () => {
        const inHand = withStep(subjectOf(version, variant).attributes, step)
        return requirementsFor(list, { subject, ruleSets: new Set(version.content.ruleSets), attributes: inHand })
      })
    },
  }
}

function withStep(attributes: Attributes, step: StepAttributes): Attributes {
  const all = new Map(attributes)
  for (const name of ['insulation', 'network', 'detector', 'method'] as const) {
    const value = step[name]
    if (value !== undefined) all.set(name, value)
  }
  return all
}

/** How many of ascending instants are at or before `at`. */
function countUpTo(instants: readonly number[], at: number): number {
  let [low, high] = [0, instants.length]
  while (low < high) {
    const middle = (low + high) >>> 1
    if ((instants[middle] ?? at) <= at) low = middle + 1
    else high = middle
  }
  return low
}

function remember<Key, Value>(
  memory: { get(key: Key): Value | undefined; set(key: Key, value: Value): unknown },
  key: Key,
  make: () => Value,
): Value {
  const kept = memory.get(key)
  if (kept !== undefined) return kept
  const made = make()
  memory.set(key, made)
  return made
}
