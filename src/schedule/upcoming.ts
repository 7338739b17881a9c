import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { GapReason, ScheduledChange, ScheduledKind } from './words.ts'

/** An interval in milliseconds since the epoch, half-open; `until` null: without end. */
interface Span {
  readonly from: number
  readonly until: number | null
}

/** Where a revision is in force at one site, with its blocks. */
export interface PlacedRevision extends Span {
  readonly plan: string
  readonly revision: number
  readonly product: string
  readonly operation: string
  readonly site: string
  /** '' where the product has none. */
  readonly variants: readonly string[]
  /** Those that have not ended, ascending. */
  readonly blocks: readonly (Span & { readonly causes: readonly string[] })[]
}

export interface Effect {
  readonly at: number
}

/** What is known now of what is to come. */
export interface ScheduleFacts {
  /** Everything in force, now or later, wherever something of it changes within the days asked for. */
  readonly placed: readonly PlacedRevision[]
  readonly editions: readonly (Effect & { readonly table: string; readonly edition: number })[]
  readonly versions: readonly (Effect & { readonly product: string; readonly version: number })[]
  /** When the calibration that counts ends, of each instrument that stands at a station. */
  readonly calibrations: readonly (Effect & {
    readonly site: string
    readonly station: string
    readonly instrument: string
    readonly calibration: string
  })[]
}

/** One thing to come, and its place in the list: its instant, then a text of its own. */
export interface Upcoming {
  readonly place: readonly [at: number, key: string]
  readonly change: ScheduledChange
}

/** After `now`, up to `until`. */
export interface Days {
  readonly now: number
  readonly until: number
}

/** All that happens within the days, in order. */
export function upcomingOf(facts: ScheduleFacts, days: Days): Upcoming[] {
  const isWithin = ({ at }: Effect) => at > days.now && at <= days.until
  const all = [
    ...facts.editions.filter(isWithin).map(({ at, ...edition }) => upcoming(at, 'edition-in-effect', edition)),
    ...facts.versions.filter(isWithin).map(({ at, ...version }) => upcoming(at, 'version-in-effect', version)),
    ...facts.calibrations
      .filter(isWithin)
      .map(({ at, site, ...due }) => upcoming(at, 'calibration-due', { ...due, sites: [site] })),
    ...edgesOf(facts.placed, 'revision-in-force', ({ from }) => [from]).filter(within(days)),
    ...edgesOf(facts.placed, 'revision-ended', ({ until }) => (until === null ? [] : [until])).filter(within(days)),
    ...edgesOf(facts.placed, 'revision-blocked', blockedFroms).filter(within(days)),
    ...gapsOf(facts.placed, days),
  ]
  return all.sort(byPlace)
}

function byPlace({ place: [at, key] }: Upcoming, { place: [otherAt, otherKey] }: Upcoming): number {
  return at - otherAt || (key < otherKey ? -1 : key > otherKey ? 1 : 0)
}

function within({ now, until }: Days) {
  return ({ place: [at] }: Upcoming) => at > now && at <= until
}

/** What the place of a change is made of, so that two of one instant have different texts. */
const KEYED = [
  'product',
  'version',
  'operation',
  'plan',
  'revision',
  'table',
  'edition',
  'station',
  'instrument',
] as const

function upcoming(at: number, kind: ScheduledKind, given: Partial<ScheduledChange>): Upcoming {
  const change: ScheduledChange = {
    at: writeInstant(at),
    kind,
    sites: null,
    product: null,
    version: null,
    operation: null,
    variants: [],
    plan: null,
    revision: null,
    because: null,
    causes: [],
    until: null,
    table: null,
    edition: null,
    station: null,
    instrument: null,
    calibration: null,
    ...given,
  }
  // A gap is one site's.
  const sites = kind === 'nothing-in-force' ? (change.sites ?? []) : []
  const key = [
    kind,
    ...KEYED.map((name) => change[name] ?? ''),
    ...sites,
    ...(sites.length > 0 ? change.variants.slice(0, 1) : []),
  ]
  return { place: [at, key.join('/')], change }
}

/** What revisions do at instants of their own, each once for all sites and variants where it is so. */
function edgesOf(
  placed: readonly PlacedRevision[],
  kind: 'revision-in-force' | 'revision-ended' | 'revision-blocked',
  instantsOf: (one: PlacedRevision) => readonly number[],
): Upcoming[] {
  const groups = new Map<string, { readonly at: number; readonly those: PlacedRevision[] }>()
  for (const one of placed) {
    for (const at of instantsOf(one)) {
      const key = `${at} ${one.plan} ${one.revision}`
      const group = groups.get(key)
      if (group) group.those.push(one)
      else groups.set(key, { at, those: [one] })
    }
  }
  return [...groups.values()].flatMap(({ at, those }) => {
    const [first] = those
    if (first === undefined) return []
    const { plan, revision, product, operation } = first
    const sites = sortedOnce(those.map(({ site }) => site))
    const variants = variantsOf(those.flatMap((one) => one.variants))
    const causes = kind === 'revision-blocked' ? causesAt(first, at) : []
    return [upcoming(at, kind, { plan, revision, product, operation, sites, variants, causes })]
  })
}

/** When blocks begin to matter: at their first instant, or when the revision comes into force under them. */
function blockedFroms({ from, until, blocks }: PlacedRevision): number[] {
  return blocks
    .map((block) => ({ at: Math.max(block.from, from), until: block.until }))
    .filter((one) => (until === null || one.at < until) && (one.until === null || one.at < one.until))
    .map(({ at }) => at)
}

function causesAt({ blocks }: PlacedRevision, at: number): string[] {
  return sortedOnce(blocks.filter((block) => holds(block, at)).flatMap(({ causes }) => causes))
}

/**
 * Where nothing will be in force that may be used: the ends of what may be used, where nothing that may follows at once.
 * One for each product, operation and site, with the variants that have it alike.
 */
function gapsOf(placed: readonly PlacedRevision[], days: Days): Upcoming[] {
  const cells = new Map<string, { readonly variant: string; readonly rows: PlacedRevision[] }>()
  for (const one of placed) {
    for (const variant of one.variants) {
      const key = `${one.product} ${one.operation} ${one.site} ${variant}`
      const cell = cells.get(key)
      if (cell) cell.rows.push(one)
      else cells.set(key, { variant, rows: [one] })
    }
  }
  const gaps = new Map<string, { readonly gap: Gap; readonly variants: string[] }>()
  for (const { variant, rows } of cells.values()) {
    for (const gap of gapsOfCell(rows, days)) {
      const { plan, revision, product, operation, site } = gap.keeper
      const key = [gap.at, gap.until, gap.because, product, operation, site, plan, revision].join(' ')
      const group = gaps.get(key)
      if (group) group.variants.push(variant)
      else gaps.set(key, { gap, variants: [variant] })
    }
  }
  return [...gaps.values()].map(({ gap: { at, until, because, keeper }, variants }) => {
    const { plan, revision, product, operation, site } = keeper
    const causes = because === 'revision-blocked' ? causesAt(keeper, at) : []
    const named = { plan, revision, product, operation, sites: [site], variants: variantsOf(variants) }
    return upcoming(at, 'nothing-in-force', { ...named, because, causes, until: writeInstantOrNull(until) })
  })
}

interface Gap {
  readonly at: number
  readonly until: number | null
  readonly because: GapReason
  /** The revision that is blocked there, or the one that ended. */
  readonly keeper: PlacedRevision
}

/** `rows` are those of one product, variant, operation and site, of which one at most holds at any instant. */
function gapsOfCell(rows: readonly PlacedRevision[], { now, until: last }: Days): Gap[] {
  const usable = rows
    .flatMap((row) => usableOf(row).map((span) => ({ ...span, row })))
    .sort((one, other) => one.from - other.from)
  return usable.flatMap(({ until: at, row }, index): Gap[] => {
    if (at === null || at <= now || at > last) return []
    const next = usable[index + 1]
    if (next !== undefined && next.from <= at) return []
    const blocked = rows.find((one) => holds(one, at))
    const because = blocked === undefined ? 'revision-ended' : 'revision-blocked'
    return [{ at, until: next?.from ?? null, because, keeper: blocked ?? row }]
  })
}

/** An interval without its blocks, which ascend and may overlap. */
function usableOf({ from, until, blocks }: PlacedRevision): Span[] {
  const spans: Span[] = []
  let start: number | null = from
  for (const block of blocks) {
    if (start === null || (until !== null && start >= until)) break
    if (block.until !== null && block.until <= start) continue
    if (until !== null && block.from >= until) break
    if (block.from > start) spans.push({ from: start, until: block.from })
    start = block.until
  }
  if (start !== null && (until === null || start < until)) spans.push({ from: start, until })
  return spans
}

function holds({ from, until }: Span, at: number): boolean {
  return from <= at && (until === null || at < until)
}

function sortedOnce(texts: readonly string[]): string[] {
  return [...new Set(texts)].sort()
}

function variantsOf(variants: readonly string[]): string[] {
  return sortedOnce(variants).filter((variant) => variant !== '')
}
