import type { PlanContent, RevisionState } from '../plans/words.ts'
import { type CompiledSerialRule, readSerialRule } from '../products/serial.ts'
import type { ConfirmedVersion } from '../products/versions.ts'
import type { Calibration } from '../stations/calibration.ts'
import type { InstrumentAssignment, Interval } from '../stations/instrument-assignment.ts'
import type { Programming } from '../stations/programming.ts'
import type { StationChecks } from '../stations/station-check.ts'
import type { StationLink } from '../stations/words.ts'
import type { PermitFact } from './permits.ts'

/**
 * The facts of one site at one version of its gate, as a value: what `admit` asks, read at first need and kept until
 * `gate_changes` names it. A fact is null where the database has no such thing; one that was never loaded is absent, and
 * to ask for it is a bug.
 */
export interface Facts {
  readonly site: string
  readonly version: number
  readonly rulesVersion: number
  readonly entries: ReadonlyMap<FactKey, Fact | null>
}

/** Instants in facts are milliseconds since the epoch. */
export interface FactTypes {
  site: SiteFact
  station: StationFact
  instrument: InstrumentFact
  programming: ProgrammingFact
  person: PersonFact
  product: ProductFact
  /** Keyed by plan and revision: `revision/ex36-final/7`. */
  revision: RevisionFact
  key: AccessKeyFact
}
export type FactKind = keyof FactTypes
export type FactKey = `${FactKind}/${string}`
export type Fact = FactTypes[FactKind]

export interface SiteFact {
  readonly kind: 'site'
  readonly site: string
  readonly timeZone: string
  readonly openedAt: number
}

export interface StationFact {
  readonly kind: 'station'
  readonly station: string
  readonly site: string
  readonly linked: StationLink
  /** Every assignment of an instrument to this station. */
  readonly assignments: readonly InstrumentAssignment[]
  readonly checks: StationChecks
}

export interface InstrumentFact {
  readonly kind: 'instrument'
  readonly instrument: string
  /** Null where the instrument keeps no programs: then no programming is asked for. */
  readonly programs: { readonly count: number; readonly stepsEach: number } | null
  /** Every assignment of this instrument, to whatever station. */
  readonly assignments: readonly InstrumentAssignment[]
  readonly calibrations: readonly Calibration[]
}

export interface ProgrammingFact {
  readonly kind: 'programming'
  readonly programming: Programming
  /** Those of the same instrument that share a program with it and were keyed no earlier: one of them may have ended it. */
  readonly others: readonly Programming[]
}

export interface PersonFact {
  readonly kind: 'person'
  readonly person: string
}

export interface ProductVersionFact extends ConfirmedVersion {
  readonly compiledSerialRule: CompiledSerialRule
}

export interface ProductFact {
  readonly kind: 'product'
  readonly product: string
  /** Confirmed ones only, those that take effect later included. */
  readonly versions: readonly ProductVersionFact[]
}

export interface InForceAtSite extends Interval {
  /** '' where the product has no variants. */
  readonly variant: string
}

export interface RevisionCheckFact {
  /** The editions that apply, as `table/edition`, interval by interval. */
  readonly applied: readonly (Interval & { readonly editions: readonly string[] })[]
  readonly blocks: readonly (Interval & { readonly causes: readonly string[] })[]
}

export interface RevisionFact {
  readonly kind: 'revision'
  readonly plan: string
  readonly revision: number
  readonly digest: string
  readonly state: RevisionState
  readonly content: PlanContent
  /** Null: never approved. */
  readonly approvedAt: number | null
  /** From when on what was tested with it is in doubt; may lie before the act that said so. Null: not withdrawn. */
  readonly withdrawnFrom: number | null
  /** Its rows at this site, one per variant. */
  readonly inForce: readonly InForceAtSite[]
  /** Approved ones at this site, also those that have ended. */
  readonly permits: readonly PermitFact[]
  /** The check at the rules version of these facts; null where there is none yet. */
  readonly check: RevisionCheckFact | null
}

export interface AccessKeyFact {
  readonly kind: 'key'
  readonly key: string
  readonly revokedAt: number | null
  readonly stations: readonly string[]
}

/** The kinds of gate change, as the gate names them; `rules` is the only one that is no fact of its own. */
export interface FactChange {
  readonly kind: FactKind | 'rules'
  readonly key: string
}

/** Facts of which nothing is loaded yet. */
export function emptyFacts(site: string, at: { readonly version: number; readonly rulesVersion: number }): Facts {
  return { site, version: at.version, rulesVersion: at.rulesVersion, entries: new Map() }
}

/** What the admission of an upload asks for. `key` is the access key that it came with. */
export function needsOf(
  upload: {
    readonly station: string
    readonly instrument: string
    readonly programming?: string | undefined
    readonly person: string
    readonly product: string
    readonly plan: string
    readonly revision: number
  },
  from: { readonly site: string; readonly key: string },
): FactKey[] {
  const needs: FactKey[] = [
    `site/${from.site}`,
    `key/${from.key}`,
    `station/${upload.station}`,
    `instrument/${upload.instrument}`,
    `person/${upload.person}`,
    `product/${upload.product}`,
    revisionKey(upload.plan, upload.revision),
  ]
  if (upload.programming !== undefined) needs.push(`programming/${upload.programming}`)
  return needs
}

/** Those of the needs that are not loaded. */
export function missingNeeds(facts: Facts, needs: readonly FactKey[]): FactKey[] {
  return needs.filter((need) => !facts.entries.has(need))
}

/** The facts with more of them loaded, at the same version of the gate. */
export function withFacts(facts: Facts, loaded: Iterable<readonly [FactKey, Fact | null]>): Facts {
  return { ...facts, entries: new Map([...facts.entries, ...loaded]) }
}

export function revisionKey(plan: string, revision: number): FactKey {
  return `revision/${plan}/${revision}`
}

/**
 * A fact by kind and key; null where there is no such thing. Throws where it was not loaded, or loaded under the wrong
 * kind: both are bugs of whoever loads.
 */
export function factOf<Kind extends FactKind>(facts: Facts, kind: Kind, key: string): FactTypes[Kind] | null {
  const fact = facts.entries.get(`${kind}/${key}`)
  if (fact === undefined) throw new Error(`the fact ${kind}/${key} of site ${facts.site} was not loaded`)
  if (fact === null) return null
  if (!isOfKind(fact, kind)) throw new Error(`the fact ${kind}/${key} of site ${facts.site} was loaded as ${fact.kind}`)
  return fact
}

function isOfKind<Kind extends FactKind>(fact: Fact, kind: Kind): fact is Extract<Fact, FactTypes[Kind]> {
  return fact.kind === kind
}

/** The site itself, which has facts only if it exists. */
export function siteOf(facts: Facts): SiteFact {
  const site = factOf(facts, 'site', facts.site)
  if (site === null) throw new Error(`there is no site ${facts.site}, so it has no facts`)
  return site
}

/** Whether an access key may still upload: known and not revoked. */
export function isKeyLive(facts: Facts, key: string): boolean {
  return factOf(facts, 'key', key)?.revokedAt === null
}

/**
 * The facts at a later version of the gate: what the changes name is dropped and read again at its next need. A change
 * of the rules drops every revision, whose check is then of an older version; one of a revision drops all of its plan,
 * since an approval ends its predecessor; one of a programming drops all, since it may end others.
 */
export function forget(
  facts: Facts,
  changes: readonly FactChange[],
  now: { readonly version: number; readonly rulesVersion: number },
): Facts {
  const dropped = new Set<string>()
  const prefixes: string[] = now.rulesVersion === facts.rulesVersion ? [] : ['revision/']
  for (const { kind, key } of changes) {
    if (kind === 'rules') prefixes.push('revision/')
    else if (kind === 'revision') prefixes.push(`revision/${key.split('/')[0] ?? key}/`)
    else if (kind === 'programming') prefixes.push('programming/')
    else dropped.add(`${kind}/${key}`)
  }
  const isDropped = (key: FactKey) => dropped.has(key) || prefixes.some((prefix) => key.startsWith(prefix))
  const entries = new Map([...facts.entries].filter(([key]) => !isDropped(key)))
  return { site: facts.site, version: now.version, rulesVersion: now.rulesVersion, entries }
}

/** The fact of a product from its confirmed versions; their serial rules were proven when they were confirmed. */
export function productFact(product: string, versions: readonly ConfirmedVersion[]): ProductFact {
  return {
    kind: 'product',
    product,
    versions: versions.map((version) => {
      const read = readSerialRule(version.content.serialRule)
      if ('refusals' in read) throw new Error(`version ${version.version} of ${product} has an unsound serial rule`)
      return { ...version, compiledSerialRule: read.compiled }
    }),
  }
}
