/** An interval in which a revision must not be used. */
export interface Block {
  readonly from: number
  /** Null: without end. Only a signed act ends a block that has begun. */
  readonly until: number | null
  /** The rules version whose publication began it. */
  readonly causeVersion: number
  /** What was found at its first instant, in words of findings. */
  readonly causes: readonly string[]
}

/** The first instant at which findings demand that the revision be blocked, and which. */
export interface BlockDemand {
  readonly from: number
  readonly causes: readonly string[]
}

/** A rules version: its number, and the instant of the commit that made it. */
export interface PublishedVersion {
  readonly version: number
  readonly publishedAt: number
}

/**
 * From when on a version's findings may demand a block: not before the commit that made it, since runs that started
 * before were accepted, and not within blocks that were lifted. What was found of a time that is over, or was lifted, thus
 * reopens nothing; what stands at the end of a lifted block begins another there.
 */
export function demandableFrom(
  blocks: readonly Block[],
  from: number,
  { publishedAt }: Pick<PublishedVersion, 'publishedAt'>,
): number {
  const ends = blocks.flatMap(({ from: begun, until }) => (until === null || begun > publishedAt ? [] : [until]))
  return Math.max(from, publishedAt + 1, ...ends)
}

/** What lifting comes to: the blocks after it, or the finding that keeps it from being lifted. */
export type Lifted = { readonly blocks: readonly Block[] } | { readonly refused: 'not-blocked' | 'finding-stands' }

/**
 * The blocks after one is lifted from `at` on, by an act at `now`. Refused where none has begun by then and is open, or
 * `demand`, the first that findings ask for from `at` on, asks for one at that very instant. What they ask for later begins
 * another, which has not begun and disappears with its cause.
 */
export function liftedBlocks(
  blocks: readonly Block[],
  demand: BlockDemand | undefined,
  { at, now, version }: { readonly at: number; readonly now: number; readonly version: number },
): Lifted {
  const isOpen = ({ from, until }: Block) => from <= now && until === null
  if (!blocks.some(isOpen)) return { refused: 'not-blocked' }
  if (demand !== undefined && demand.from <= at) return { refused: 'finding-stands' }
  const ended = blocks.map((block) => (isOpen(block) ? { ...block, until: at } : block))
  if (demand === undefined) return { blocks: ended }
  return { blocks: [...ended, { from: demand.from, until: null, causeVersion: version, causes: demand.causes }] }
}

/**
 * The blocks of a revision after one more rules version, which demands that it be blocked from an instant on
 * (undefined: it demands nothing). A block that had begun when the version was published stays, whatever the version
 * demands; one that had not begun goes, and is made anew where it is still demanded. 'Begun' is asked of the instant of
 * publication and never of the clock, so that the result is the same whoever checks, and whenever: applied version by
 * version, in their order.
 */
export function stepBlocks(
  blocks: readonly Block[],
  demand: BlockDemand | undefined,
  { version, publishedAt }: PublishedVersion,
): Block[] {
  const begun = blocks.filter(({ from }) => from <= publishedAt)
  if (demand === undefined || begun.some(({ until }) => until === null)) return begun
  // No block may reach back before the commit that causes it: runs that started before it have been accepted.
  return [
    ...begun,
    { from: Math.max(demand.from, publishedAt + 1), until: null, causeVersion: version, causes: demand.causes },
  ]
}
