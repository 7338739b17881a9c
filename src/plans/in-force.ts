import type { PlanContent } from './words.ts'

/** Where a revision can be in force: no two revisions of any plan are at the same instant. */
export interface Cell {
  readonly product: string
  /** '' where the product has no variants. */
  readonly variant: string
  readonly operation: string
  readonly site: string
}

/** The half-open interval in which a revision is the one to use. `until` null: open; equal to `from`: never. */
export interface InForce extends Cell {
  readonly plan: string
  readonly revision: number
  readonly from: number
  readonly until: number | null
}

/**
 * The cells that an approval of the content takes: every variant of the product version it cites, at the sites it names
 * or, where it names none, at every site open now. A site opened later needs a new approval. `unknownSites` are the
 * indexes of named sites that are not open.
 */
export function expandInForce(
  content: Pick<PlanContent, 'product' | 'operation' | 'sites'>,
  variants: readonly string[],
  openSites: readonly string[],
): { cells: Cell[]; unknownSites: number[] } {
  const named = content.sites ?? openSites
  const unknownSites = named.flatMap((site, index) => (openSites.includes(site) ? [] : [index]))
  const { product, operation } = content
  const cells = [...new Set(named)].flatMap((site) =>
    variants.map((variant) => ({ product, variant, operation, site })),
  )
  return { cells, unknownSites }
}

/**
 * What an approval that takes effect at `from` does to the plan's own rows: those that hold `from` end there, in every
 * cell, so that one revision of a plan is in force at a time; and the new one ends where the plan's next scheduled
 * revision begins. A row that begins at `from` itself is emptied: the later approval replaces it.
 */
export function insertInterval<Row extends Pick<InForce, 'from' | 'until'>>(
  planRows: readonly Row[],
  from: number,
): { ended: { row: Row; until: number }[]; until: number | null } {
  const holding = planRows.filter((row) => row.from <= from && (row.until === null || row.until > from))
  const later = planRows.filter((row) => row.from > from && !isNeverInForce(row)).map((row) => row.from)
  return {
    ended: holding.map((row) => ({ row, until: from })),
    until: later.length === 0 ? null : Math.min(...later),
  }
}

/**
 * What a withdrawal at `at` does to the rows of the revision: those not over end there, those not begun become empty.
 */
export function withdrawInterval<Row extends Pick<InForce, 'from' | 'until'>>(
  rows: readonly Row[],
  at: number,
): { row: Row; until: number }[] {
  return rows
    .filter((row) => !isNeverInForce(row) && (row.until === null || row.until > at))
    .map((row) => ({ row, until: Math.max(at, row.from) }))
}

/** An approval that was not cancelled, with its withdrawal. Instants are milliseconds since the epoch. */
export interface ApprovalRow {
  readonly revision: number
  readonly approvedAt: number
  readonly from: number
  /** Null: not withdrawn. */
  readonly withdrawnAt: number | null
  readonly withdrawnFrom: number | null
}

/** When a revision of a plan is in force, wherever it is: the same in all of its cells. */
export interface PlanInterval {
  readonly revision: number
  readonly from: number
  readonly until: number | null
}

/**
 * The intervals that approvals and withdrawals of one plan come to, told again in the order in which they were made; of
 * two at one millisecond the one of the lower number first. Without a cancelled approval among them, they are what they
 * would have been had it never been given.
 */
export function retellInForce(approvals: readonly ApprovalRow[]): PlanInterval[] {
  const acts = approvals.flatMap((one) => [
    { at: one.approvedAt, order: 0, one },
    ...(one.withdrawnAt === null ? [] : [{ at: one.withdrawnAt, order: 1, one }]),
  ])
  acts.sort((a, b) => a.at - b.at || a.one.revision - b.one.revision || a.order - b.order)
  let rows: PlanInterval[] = []
  const end = (ended: readonly { readonly row: PlanInterval; readonly until: number }[]) => {
    const ends = new Map(ended.map(({ row, until }) => [row, until]))
    rows = rows.map((row) => (ends.has(row) ? { ...row, until: ends.get(row) ?? null } : row))
  }
  for (const { at, order, one } of acts) {
    const { revision, from } = one
    if (order === 0) {
      const { ended, until } = insertInterval(rows, from)
      end(ended)
      rows.push({ revision, from, until })
    } else {
      const those = rows.filter((row) => row.revision === revision)
      // What has been tested by then was tested under it.
      end(withdrawInterval(those, Math.max(one.withdrawnFrom ?? at, at + 1)))
    }
  }
  return rows
}

/** The intervals that the cancellation of a revision changes, beside its own. */
export function restoredBy(approvals: readonly ApprovalRow[], cancelled: number): PlanInterval[] {
  const before = new Map(retellInForce(approvals).map((row) => [row.revision, row]))
  return retellInForce(approvals.filter(({ revision }) => revision !== cancelled)).filter(
    ({ revision, until }) => before.get(revision)?.until !== until,
  )
}

/** The rows of other plans that would be in force in one of the cells during the interval: an approval is refused. */
export function conflicting<Row extends InForce>(
  rows: readonly Row[],
  asked: {
    readonly plan: string
    readonly cells: readonly Cell[]
    readonly from: number
    readonly until: number | null
  },
): Row[] {
  const cells = new Set(asked.cells.map(cellKey))
  return rows.filter(
    (row) =>
      row.plan !== asked.plan &&
      !isNeverInForce(row) &&
      cells.has(cellKey(row)) &&
      (asked.until === null || row.from < asked.until) &&
      (row.until === null || row.until > asked.from),
  )
}

/**
 * Where a row may end that would end at `until` (null: never): no later than where another plan is in force in its cell by
 * now, at or after its present end.
 */
export function clippedBy(others: readonly InForce[], row: InForce, until: number | null): number | null {
  const present = row.until
  const key = cellKey(row)
  const begins = others
    .filter((other) => present !== null && other.from >= present && !isNeverInForce(other) && cellKey(other) === key)
    .map((other) => other.from)
  const least = Math.min(until ?? Number.POSITIVE_INFINITY, ...begins)
  return Number.isFinite(least) ? Math.max(least, row.from) : null
}

/** Keys hold no blank, so different cells have different text. */
function cellKey({ product, variant, operation, site }: Cell): string {
  return `${product} ${variant} ${operation} ${site}`
}

/** A row that was emptied before it began. */
export function isNeverInForce({ from, until }: Pick<InForce, 'from' | 'until'>): boolean {
  return until !== null && until <= from
}
