/** An interval in which a revision must not be used. */
export interface Block {
  readonly from: number
  /** Null: without end. Only a signed act ends a block that has begun, and this version has none. */
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
