import type { ConfirmedVersion } from '../products/versions.ts'
import { checkPrepared, notReadable, type RevisionCheck } from './check.ts'
import { blockDemand } from './findings.ts'
import { type PreparedRevision, prepareRevision } from './prepare.ts'
import type { PublishedTable, RuleTimeline } from './rule-timeline.ts'
import { type Block, type PublishedVersion, stepBlocks } from './step-blocks.ts'

/** Everything published, as far as known. Shared by all revisions that are checked together. */
export interface RuleBook {
  /** The rules version up to which it is complete. */
  readonly rulesVersion: number
  readonly tables: readonly PublishedTable[]
  /**
   * Confirmed versions of a product, later ones included; none where one of them can no longer be read. Throws for a
   * product that was not loaded.
   */
  versionsOf(product: string): readonly ConfirmedVersion[]
  /** The versions of a product that can no longer be read. */
  unreadableOf(product: string): readonly Published[]
  /** The editions as known at one version; the same object for the same version, as long as it is asked for often. */
  timelineAt(knownVersion: number): RuleTimeline
}

/** What a publication did at which rules version, whether or not it can be read. */
export type Published = Pick<ConfirmedVersion, 'rulesVersion' | 'publishedAt'>

/** A revision as its last check left it. */
export interface CheckedSoFar {
  readonly product: string
  /** Its content made ready, or why that is not possible any more. */
  readonly read: { readonly prepared: PreparedRevision } | { readonly refused: string }
  /** First instant at which it may be used, or the submission while it is in review. */
  readonly from: number
  /** The rules version of its newest check; null where there is none. */
  readonly checkedVersion: number | null
  /** Blocks so far; undefined while it is in review, when nothing can be blocked. */
  readonly blocks: readonly Block[] | undefined
}

export interface BroughtForward {
  /** The rules version that the check is of: the book's or, where time ran out, one on the way to it. */
  readonly rulesVersion: number
  readonly check: RevisionCheck
  readonly blocks: readonly Block[]
}

export interface Bringing<Revision> {
  /** Told of a check that failed on a bug; the revision is then blocked, not assumed good. */
  readonly tellFailure: (revision: Revision, error: unknown) => void
  /** Asked after each check: whether to stop here. At least one check is made all the same, so that work gets on. */
  readonly isLate: () => boolean
}

/**
 * The checks of revisions at the book's rules version, and their blocks after every version since the last check of each,
 * applied in their order. Versions that publish nothing about the product change neither demand nor block, so they are
 * passed over; which those are is asked with what was known then. Hence the result is the same whoever checks, when, and
 * in how many portions: where time runs out, revisions are left out, or given with the check of a version on the way.
 */
export function bringForward<Revision extends CheckedSoFar>(
  revisions: readonly Revision[],
  book: RuleBook,
  { tellFailure, isLate }: Bringing<Revision>,
): Map<Revision, BroughtForward> {
  const passedBy = new Map(revisions.map((revision) => [revision, passedVersions(revision, book)]))
  const brought = new Map<Revision, BroughtForward>()
  const bring = (revision: Revision, rulesVersion: number, version: PublishedVersion | undefined) => {
    const check = checkAt(revision, book, rulesVersion, tellFailure)
    const before = brought.get(revision)?.blocks ?? revision.blocks ?? []
    const blocks =
      version === undefined ? before : stepBlocks(before, blockDemand(check.findings, revision.from), version)
    const known = rulesVersion === book.rulesVersion ? book : { ...book, rulesVersion }
    const editions = editionsSince(revision, known, check)
    brought.set(revision, { rulesVersion, check: { ...check, editions }, blocks })
  }
  // Version by version and not revision by revision: all that is checked at one version shares its timeline.
  for (const [version, those] of byVersion(passedBy)) {
    for (const revision of those) {
      if (passedBy.get(revision)?.at(-1)?.version === version.version) continue
      bring(revision, version.version, version)
      if (isLate()) return brought
    }
  }
  for (const revision of revisions) {
    // Nothing about the product was published after the last version passed, so the present check is its check as well.
    bring(revision, book.rulesVersion, passedBy.get(revision)?.at(-1))
    blockUnchecked(revision, book, brought)
    if (isLate()) return brought
  }
  return brought
}

/**
 * A revision that can no longer be checked is blocked even where nothing was published about it since its last check: as
 * of the last publication that is known. Whether it lost its content before or after is not known, and not asked.
 */
function blockUnchecked<Revision extends CheckedSoFar>(
  revision: Revision,
  book: RuleBook,
  brought: Map<Revision, BroughtForward>,
): void {
  const made = brought.get(revision)
  if (made === undefined || made.check.verdict !== 'not-checkable' || revision.blocks === undefined) return
  const demand = blockDemand(made.check.findings, revision.from)
  if (demand === undefined) return
  const version = lastPublished(revision, book)
  const from = Math.max(demand.from, version.publishedAt + 1)
  if (made.blocks.some((block) => block.until === null && block.from <= from)) return
  brought.set(revision, { ...made, blocks: stepBlocks(made.blocks, demand, version) })
}

/** The last publication that the book knows of, about whatever product. */
function lastPublished({ product, from }: CheckedSoFar, book: RuleBook): PublishedVersion {
  let last: PublishedVersion | undefined
  for (const { rulesVersion, publishedAt } of [
    ...book.tables,
    ...book.versionsOf(product),
    ...book.unreadableOf(product),
  ]) {
    if (rulesVersion > book.rulesVersion || rulesVersion <= (last?.version ?? 0)) continue
    last = { version: rulesVersion, publishedAt }
  }
  // A product whose every row is gone leaves nothing to date by: then from the first instant on.
  return last ?? { version: book.rulesVersion, publishedAt: from - 1 }
}

/** The check of stored content by itself at the book's rules version, from an instant on. */
export function checkContent(
  { content, product }: { readonly content: unknown; readonly product: string },
  book: RuleBook,
  from: number,
): RevisionCheck {
  const read = prepareRevision(content)
  if ('refused' in read) return notReadable(read.refused, from)
  const timeline = book.timelineAt(book.rulesVersion)
  return checkPrepared(read.prepared, { versions: book.versionsOf(product), timeline, from })
}

function passedVersions({ blocks, product, checkedVersion }: CheckedSoFar, book: RuleBook): PublishedVersion[] {
  return blocks === undefined || checkedVersion === null ? [] : relevantVersions(book, product, checkedVersion)
}

/** Who passes each version, the versions ascending. */
function byVersion<Revision>(
  passedBy: ReadonlyMap<Revision, readonly PublishedVersion[]>,
): [PublishedVersion, Revision[]][] {
  const groups = new Map<number, [PublishedVersion, Revision[]]>()
  for (const [revision, passed] of passedBy) {
    for (const version of passed) {
      const group = groups.get(version.version)
      if (group) group[1].push(revision)
      else groups.set(version.version, [version, [revision]])
    }
  }
  return [...groups.values()].sort(([a], [b]) => a.version - b.version)
}

/**
 * The editions that apply since the last publication about the product, or since the revision may be used where that is
 * later. Scheduled ones are among `applied` alone.
 */
function editionsSince(
  { product, from }: CheckedSoFar,
  book: RuleBook,
  { applied, editions }: RevisionCheck,
): readonly string[] {
  const last = relevantVersions(book, product, Number.NEGATIVE_INFINITY).at(-1)
  const at = last === undefined ? from : Math.max(from, last.publishedAt + 1)
  return applied.findLast((interval) => interval.from <= at)?.editions ?? editions
}

function checkAt<Revision extends CheckedSoFar>(
  revision: Revision,
  book: RuleBook,
  version: number,
  tellFailure: Bringing<Revision>['tellFailure'],
): RevisionCheck {
  const { read, product, from } = revision
  if ('refused' in read) return notReadable(read.refused, from)
  try {
    return checkPrepared(read.prepared, {
      versions: book.versionsOf(product),
      timeline: book.timelineAt(version),
      from,
    })
  } catch (error) {
    tellFailure(revision, error)
    return notReadable('the check failed', from)
  }
}

/** The versions after `after` that published something about a product, ascending. */
export function relevantVersions(book: Publications, product: string, after: number): PublishedVersion[] {
  const relevant: PublishedVersion[] = []
  const add = ({ rulesVersion, publishedAt }: Published) => {
    if (rulesVersion > after && rulesVersion <= book.rulesVersion) relevant.push({ version: rulesVersion, publishedAt })
  }
  if (after >= book.rulesVersion) return relevant
  const versions = book.versionsOf(product)
  versions.forEach(add)
  book.unreadableOf(product).forEach(add)
  const since = ruleSetsSince(versions)
  for (const table of book.tables) if (table.rulesVersion > after && speaksOf(table, since)) add(table)
  return relevant.sort((a, b) => a.version - b.version)
}

type Publications = Pick<RuleBook, 'rulesVersion' | 'tables' | 'versionsOf' | 'unreadableOf'>

/** The rules version since which a product is made to each of its rule sets. */
function ruleSetsSince(versions: readonly ConfirmedVersion[]): ReadonlyMap<string, number> {
  const since = new Map<string, number>()
  for (const { rulesVersion, content } of versions) {
    for (const ruleSet of content.ruleSets) {
      since.set(ruleSet, Math.min(rulesVersion, since.get(ruleSet) ?? rulesVersion))
    }
  }
  return since
}

/** Whether an edition is of a rule set that a version of the product known then is made to. One unreadable may be. */
function speaksOf({ compiled, rulesVersion }: PublishedTable, since: ReadonlyMap<string, number>): boolean {
  return compiled === null || (since.get(compiled.ruleSet) ?? rulesVersion) < rulesVersion
}
