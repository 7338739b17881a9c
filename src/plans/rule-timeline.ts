import { isKnownAt } from '../platform/versioned.ts'
import { attributeValues, type ConfirmedVersion } from '../products/versions.ts'
import type { CompiledTable } from '../rules/compile-table.ts'
import type { Attributes } from '../rules/inputs.ts'
import { type EditionInEffect, type Requirement, requirementsFor } from '../rules/requirements.ts'
import { editionsInEffect, type Publication } from '../rules/timeline.ts'
import type { Subject } from '../rules/words.ts'
import type { ProductSubject } from './physics.ts'
import { type Connections, connectionsOf } from './product-match.ts'
import { remember } from './remember.ts'

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
  /**
   * What is in effect at an instant for a product version. While the same editions are, the same object, whatever
   * version the timeline is of: what is worked out from it holds wherever it is met again.
   */
  inEffectAt(at: number, version: ConfirmedVersion): InEffect
}

/** The editions in effect of the rule sets that a product version is made to, and those that cannot be read. */
export interface InEffect {
  readonly unreadable: readonly Publication[]
  /** The rule sets that some of the tables belong to. */
  readonly ruleSets: ReadonlySet<string>
  /** What is demanded. While the same editions about a subject are in effect, the same array. */
  requirements(asked: Asked): readonly Requirement[]
}

export interface Asked {
  readonly subject: Subject
  /** Of the rule sets that were asked for. */
  readonly version: ConfirmedVersion
  readonly variant: string
  readonly step: StepAttributes
}

/** Each rules version publishes one edition at most, so its number stands for it. */
interface Published {
  readonly rulesVersion: number
  readonly edition: EditionInEffect
}

/**
 * What timelines of one history of publications have worked out. Editions are told apart by the rules version that
 * published them, so it must never serve another history.
 */
export interface TimelineMemory {
  readonly inEffect: Map<string, InEffect>
  readonly lists: Map<string, readonly EditionInEffect[]>
  readonly requirements: WeakMap<readonly EditionInEffect[], WeakMap<ConfirmedVersion, Map<string, Requirement[]>>>
  readonly subjects: WeakMap<ConfirmedVersion, Map<string, ProductSubject>>
  readonly connections: WeakMap<ConfirmedVersion, Connections>
}

export function timelineMemory(): TimelineMemory {
  return {
    inEffect: new Map(),
    lists: new Map(),
    requirements: new WeakMap(),
    subjects: new WeakMap(),
    connections: new WeakMap(),
  }
}

/** States remembered; where there are more, all are worked out anew. */
const REMEMBERED_MAX = 20_000

const none: readonly EditionInEffect[] = []

export function ruleTimeline(
  tables: Iterable<PublishedTable>,
  knownVersion: number,
  memory: TimelineMemory = timelineMemory(),
): RuleTimeline {
  const known = [...tables].filter((table) => isKnownAt(table, knownVersion))
  const instants = [...new Set(known.map(({ effectiveFrom }) => effectiveFrom))].sort((a, b) => a - b)
  const allInEffect = new Map<number, readonly PublishedTable[]>()
  const byRuleSets = new Map<string, InEffect[]>()

  function allAt(index: number, at: number): readonly PublishedTable[] {
    return remember(allInEffect, index, () => {
      const all = [...editionsInEffect(known, at, knownVersion).values()]
      // The order of the tables is theirs, whatever order they were read in.
      return all.sort((a, b) => (a.table < b.table ? -1 : 1))
    })
  }

  return {
    knownVersion,
    instants,
    connectionsOf: (version) => connectionsOfVersion(memory, version),
    subjectOf: (version, variant) => subjectOf(memory, version, variant),
    inEffectAt(at, version) {
      const { ruleSets } = version.content
      const intervals = remember(byRuleSets, ruleSets.join(' '), () => [])
      const index = countUpTo(instants, at)
      const kept = intervals[index]
      if (kept !== undefined) return kept
      const made = inEffectOf(memory, allAt(index, at), new Set(ruleSets))
      intervals[index] = made
      return made
    },
  }
}

function inEffectOf(memory: TimelineMemory, all: readonly PublishedTable[], ruleSets: ReadonlySet<string>): InEffect {
  const those = all.filter(({ compiled }) => compiled === null || ruleSets.has(compiled.ruleSet))
  // The same editions are in effect for products of other rule sets, of which there are no tables.
  const key = those.map(({ rulesVersion }) => rulesVersion).join(' ')
  if (memory.inEffect.size >= REMEMBERED_MAX) memory.inEffect.clear()
  return remember(memory.inEffect, key, () => {
    const bySubject = new Map<Subject, Published[]>()
    for (const { compiled: table, rulesVersion, bindsBecause } of those) {
      if (table === null) continue
      const list = bySubject.get(table.subject)
      const published = { rulesVersion, edition: { table, bindsBecause } }
      if (list) list.push(published)
      else bySubject.set(table.subject, [published])
    }
    const lists = new Map([...bySubject].map(([subject, list]) => [subject, share(memory, subject, list)]))
    return {
      unreadable: those.filter(({ compiled }) => compiled === null),
      ruleSets: new Set(those.flatMap(({ compiled }) => compiled?.ruleSet ?? [])),
      requirements: (asked) => requirementsOf(memory, lists.get(asked.subject) ?? none, asked),
    }
  })
}

function share(memory: TimelineMemory, subject: Subject, list: readonly Published[]): readonly EditionInEffect[] {
  const key = `${subject} ${list.map(({ rulesVersion }) => rulesVersion).join(' ')}`
  if (memory.lists.size >= REMEMBERED_MAX) memory.lists.clear()
  return remember(memory.lists, key, () => list.map(({ edition }) => edition))
}

function requirementsOf(
  memory: TimelineMemory,
  list: readonly EditionInEffect[],
  { subject, version, variant, step }: Asked,
): readonly Requirement[] {
  const ofList = remember(memory.requirements, list, () => new WeakMap<ConfirmedVersion, Map<string, Requirement[]>>())
  const ofVersion = remember(ofList, version, () => new Map<string, Requirement[]>())
  const key = [subject, variant, step.insulation, step.network, step.detector, step.method].join(' ')
  return remember(ofVersion, key, () => {
    const attributes = withStep(subjectOf(memory, version, variant).attributes, step)
    return requirementsFor(list, { subject, ruleSets: new Set(version.content.ruleSets), attributes })
  })
}

function subjectOf(memory: TimelineMemory, version: ConfirmedVersion, variant: string): ProductSubject {
  const ofVersion = remember(memory.subjects, version, () => new Map<string, ProductSubject>())
  return remember(ofVersion, variant, () => ({
    variant,
    attributes: attributeValues(version.content, variant),
    connections: connectionsOfVersion(memory, version),
  }))
}

function connectionsOfVersion(memory: TimelineMemory, version: ConfirmedVersion): Connections {
  return remember(memory.connections, version, () => connectionsOf(version.content))
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
