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
  const later = planRows.filter((row) => row.from > from && !isEmpty(row)).map((row) => row.from)
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
    .filter((row) => !isEmpty(row) && (row.until === null || row.until > at))
    .map((row) => ({ row, until: Math.max(at, row.from) }))
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
      !isEmpty(row) &&
      cells.has(cellKey(row)) &&
      (asked.until === null || row.from < asked.until) &&
      (row.until === null || row.until > asked.from),
  )
}

/** Keys hold no blank, so different cells have different text. */
function cellKey({ product, variant, operation, site }: Cell): string {
  return `${product} ${variant} ${operation} ${site}`
}

function isEmpty({ from, until }: Pick<InForce, 'from' | 'until'>): boolean {
  return until !== null && until <= from
}
