import type { RevisionCheck } from './check.ts'
import { demandedFrom, type Finding } from './findings.ts'
import { type PermitToCheck, permitSoFar } from './permit-checks.ts'
import type { RevisionKey } from './record.ts'
import { bringForward, type CheckedSoFar, type RuleBook } from './replay.ts'
import { type PublishedTable, ruleTimeline } from './rule-timeline.ts'
import type { Block } from './step-blocks.ts'

/** An edition as if it were published next: its number among the rules versions follows from the book. */
export type EditionToCome = Omit<PublishedTable, 'rulesVersion'>

/** The book as it would be one rules version later, with the edition published. */
export function bookWith(book: RuleBook, edition: EditionToCome): RuleBook {
  const rulesVersion = book.rulesVersion + 1
  const tables = [...book.tables, { ...edition, rulesVersion }]
  const timeline = ruleTimeline(tables, rulesVersion)
  return {
    ...book,
    rulesVersion,
    tables,
    timelineAt: (known) => (known < rulesVersion ? book.timelineAt(known) : timeline),
  }
}

/** What a publication would do to a revision or permit. Instants are milliseconds since the epoch. */
export interface Reached {
  /** `unapprovable`: a revision in review that could not be approved any more. */
  readonly kind: 'blocked' | 'unapprovable' | 'uncheckable'
  readonly from: number
  /** From when on it would be so without the publication as well; null: never. */
  readonly until: number | null
  /** What blocks it, now or later. */
  readonly findings: readonly Finding[]
}

/** A live revision, or a permit of it, that a publication would reach. */
export interface ReachedKey extends Reached, RevisionKey {
  readonly product: string
  /** Null for the revision itself. */
  readonly permit: string | null
}

interface Books {
  readonly book: RuleBook
  /** `book` with the edition that is asked about. */
  readonly next: RuleBook
  readonly tellFailure: (error: unknown) => void
}

/** What the edition would do to a revision that it does nothing to yet; undefined: nothing. */
export function reachRevision(revision: CheckedSoFar, books: Books): Reached | undefined {
  return revision.blocks === undefined ? reachReview(revision, books) : reachUsed(revision, books)
}

/** The same of a permit: of its revision with the limit relaxed. */
export function reachPermit(permit: PermitToCheck, books: Books): Reached | undefined {
  return reachUsed(permitSoFar(permit, books.book), books)
}

function reachUsed(revision: CheckedSoFar, { book, next, tellFailure }: Books): Reached | undefined {
  const before =
    revision.checkedVersion === book.rulesVersion
      ? (revision.blocks ?? [])
      : brought(revision, book, tellFailure).blocks
  const known = { ...revision, checkedVersion: book.rulesVersion, blocks: before }
  const { check, blocks } = brought(known, next, tellFailure)
  if (check.verdict === 'not-checkable') return uncheckable(check, revision.from)
  const made = blocks.find(({ causeVersion }) => causeVersion === next.rulesVersion)
  return made === undefined ? undefined : reached('blocked', check, { from: made.from, until: blockedFrom(before) })
}

/** A revision in review has no blocks: what counts is whether it could be approved once the edition is in effect. */
function reachReview(revision: CheckedSoFar, { book, next, tellFailure }: Books): Reached | undefined {
  const { check } = brought(revision, next, tellFailure)
  if (check.verdict === 'not-checkable') return uncheckable(check, revision.from)
  const from = demandedFrom(check.findings, revision.from)
  if (from === undefined) return undefined
  const until = demandedFrom(brought(revision, book, tellFailure).check.findings, revision.from)
  return reached('unapprovable', check, { from, until: until ?? null })
}

/** Undefined where it would be blocked at that instant all the same. */
function reached(
  kind: Reached['kind'],
  { findings }: RevisionCheck,
  { from, until }: Pick<Reached, 'from' | 'until'>,
): Reached | undefined {
  if (until !== null && until <= from) return undefined
  return { kind, from, until, findings: findings.filter((one) => isBlockingAfter(one, from)) }
}

function uncheckable({ findings }: RevisionCheck, from: number): Reached {
  const blocking = findings.filter((one) => isBlockingAfter(one, from))
  return { kind: 'uncheckable', from: demandedFrom(blocking, from) ?? from, until: null, findings: blocking }
}

function isBlockingAfter({ severity, until }: Finding, at: number): boolean {
  return severity === 'blocking' && (until === null || until > at)
}

/** The first instant at which blocks without end hold; null where none does. */
function blockedFrom(blocks: readonly Block[]): number | null {
  const endless = blocks.filter(({ until }) => until === null).map(({ from }) => from)
  return endless.length === 0 ? null : Math.min(...endless)
}

function brought(revision: CheckedSoFar, book: RuleBook, tellFailure: Books['tellFailure']) {
  const made = bringForward([revision], book, {
    tellFailure: (_, error) => tellFailure(error),
    isLate: () => false,
  }).get(revision)
  if (made === undefined) throw new Error('a revision is brought forward where there is time')
  return made
}
