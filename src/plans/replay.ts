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
  /** Confirmed versions of a product, later ones included. Throws for a product that was not loaded. */
  versionsOf(product: string): readonly ConfirmedVersion[]
  /** The editions as known at one version; the same object for the same version, as long as it is asked for often. */
  timelineAt(knownVersion: number): RuleTimeline
}

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
  readonly check: RevisionCheck
  readonly blocks: readonly Block[]
}

/** Told of a check that failed on a bug; the revision is then blocked, not assumed good. */
type TellFailure<Revision> = (revision: Revision, error: unknown) => void

/**
 * The checks of revisions at the book's rules version, and their blocks after every version since the last check of each,
 * applied in their order. Versions that publish nothing about the product change neither demand nor block, so they are
 * passed over; which those are is asked with what was known then. Hence the result is the same whoever checks, and when.
 */
export function bringForward<Revision extends CheckedSoFar>(
  revisions: readonly Revision[],
  book: RuleBook,
  tellFailure: TellFailure<Revision>,
): Map<Revision, BroughtForward> {
  const passedBy = new Map(revisions.map((revision) => [revision, passedVersions(revision, book)]))
  const blocksOf = new Map(revisions.map((revision) => [revision, revision.blocks ?? []]))
  const step = (revision: Revision, check: RevisionCheck, version: PublishedVersion) => {
    const blocks = blocksOf.get(revision) ?? []
    blocksOf.set(revision, stepBlocks(blocks, blockDemand(check.findings, revision.from), version))
  }
  // Version by version and not revision by revision: all that is checked at one version shares its timeline.
  const last = new Map([...passedBy].map(([revision, passed]) => [revision, passed.at(-1)]))
  for (const [version, those] of byVersion(passedBy)) {
    for (const revision of those) {
      if (last.get(revision)?.version !== version.version)
        step(revision, checkAt(revision, book, version.version, tellFailure), version)
    }
  }
  const brought = new Map<Revision, BroughtForward>()
  for (const revision of revisions) {
    const check = checkAt(revision, book, book.rulesVersion, tellFailure)
    // Nothing about the product was published after the last version passed, so the present check is its check as well.
    const version = last.get(revision)
    if (version !== undefined) step(revision, check, version)
    const editions = editionsSince(revision, book, check)
    brought.set(revision, { check: { ...check, editions }, blocks: blocksOf.get(revision) ?? [] })
  }
  return brought
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
  tellFailure: TellFailure<Revision>,
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
export function relevantVersions(
  book: Pick<RuleBook, 'rulesVersion' | 'tables' | 'versionsOf'>,
  product: string,
  after: number,
): PublishedVersion[] {
  if (after >= book.rulesVersion) return []
  const versions = book.versionsOf(product)
  const isPassed = ({ rulesVersion }: { readonly rulesVersion: number }) =>
    rulesVersion > after && rulesVersion <= book.rulesVersion
  const published = [
    ...versions.filter(isPassed),
    ...book.tables.filter((table) => isPassed(table) && speaksOf(table, versions)),
  ]
  return published
    .map(({ rulesVersion, publishedAt }) => ({ version: rulesVersion, publishedAt }))
    .sort((a, b) => a.version - b.version)
}

/** Whether an edition is of a rule set that a version of the product known then is made to. One unreadable may be. */
function speaksOf({ compiled, rulesVersion }: PublishedTable, versions: readonly ConfirmedVersion[]): boolean {
  if (compiled === null) return true
  return versions.some(
    (version) => version.rulesVersion < rulesVersion && version.content.ruleSets.includes(compiled.ruleSet),
  )
}
