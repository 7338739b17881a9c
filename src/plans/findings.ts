import { z } from 'zod'
import { writeInstant } from '../exact/time.ts'
import type { Written, WrittenQuantity } from '../rules/demand.ts'
import { requirementCodes } from '../rules/words.ts'
import type { BlockDemand } from './step-blocks.ts'

/** A blocking finding keeps a revision from being used while it holds; a warning is for people. */
export const severities = ['blocking', 'warning'] as const
export type Severity = (typeof severities)[number]

/** What a check may find. Stored with every finding: never renamed, never used again for something else. */
export const findingCodes = [
  ...requirementCodes,
  'expected-current-above-limit', // The unit's own capacitive current reaches a limit or the trip.
  'expected-current-unknown', // It cannot be computed, so the limits were not compared with it.
  'charging-current-above-limit',
  'open-lead-minimum-above-expected',
  'open-lead-unseen', // A lead that is off would give the best possible reading.
  'source-voltage-short',
  'bonding-not-before',
  'formula-disagrees',
  'product-disagrees', // Terminals or insulation that the product version in effect does not have so.
  'variant-unknown',
  'variant-not-covered',
  'product-version-unconfirmed',
  'product-not-in-effect',
  'content-not-readable',
  'edition-not-readable',
  'rule-set-empty', // No table in effect belongs to a rule set that the product names.
  'rules-silent', // No table in effect applies to a step, so that nothing of it was compared.
  'parameter-overridden', // A table without conditions takes a demand out of one that is made for this product.
  'findings-left-out', // There were more than are told.
  'window-open-above', // A stress may be as high as you like.
  'bond-missing', // An earthed product whose plan has no bonding at all.
  'earthed-part-not-tested',
] as const
export type FindingCode = (typeof findingCodes)[number]

export const revisionCheckVerdicts = ['conforms', 'blocked', 'not-checkable'] as const
export type RevisionCheckVerdict = (typeof revisionCheckVerdicts)[number]

/** What a check found, and the half-open interval in which it holds. Null: does not apply; for `until`, without end. */
export interface Finding {
  readonly severity: Severity
  readonly code: FindingCode
  /** Milliseconds since the epoch. */
  readonly from: number
  readonly until: number | null
  readonly table: string | null
  readonly edition: number | null
  readonly row: string | null
  readonly variant: string | null
  readonly step: string | null
  /** Null where it holds for every measurement of the step. */
  readonly measurement: string | null
  readonly parameter: string | null
  readonly relation: string | null
  readonly demanded: Written
  readonly accepted: Written
  /** How far the plan is inside what is demanded; negative outside. */
  readonly margin: WrittenQuantity | null
  /** What would conform in place of `accepted`, in the plan's unit; null where no number or yes or no would do. */
  readonly nearest: Written
  readonly facts: Readonly<Record<string, string>>
}

/** A finding before it is known when it holds. */
export type Found = Omit<Finding, 'from' | 'until'>

/** A finding with everything null that is not given. */
export function found(given: Pick<Found, 'severity' | 'code'> & Partial<Found>): Found {
  return {
    table: null,
    edition: null,
    row: null,
    variant: null,
    step: null,
    measurement: null,
    parameter: null,
    relation: null,
    demanded: null,
    accepted: null,
    margin: null,
    nearest: null,
    facts: {},
    ...given,
  }
}

export function isBlocking({ severity }: Pick<Found, 'severity'>): boolean {
  return severity === 'blocking'
}

/** The same text for findings that say the same: every finding is made by `found`, so its members have one order. */
export function findingKey(finding: Found): string {
  return JSON.stringify(finding)
}

const QuantityAnswer = z.strictObject({ value: z.string(), unit: z.string() })
const WrittenAnswer = z.union([
  QuantityAnswer,
  z.strictObject({
    least: z.string().optional(),
    most: z.string().optional(),
    above: z.string().optional(),
    below: z.string().optional(),
    unit: z.string(),
  }),
  z.boolean(),
  z.array(z.string()),
])

/** A finding as it is stored; an answer adds a sentence. */
export const StoredFindingWire = z.strictObject({
  severity: z.enum(severities),
  code: z.enum(findingCodes),
  from: z.string(),
  until: z.string().nullable(),
  table: z.string().nullable(),
  edition: z.int().nullable(),
  row: z.string().nullable(),
  variant: z.string().nullable(),
  step: z.string().nullable(),
  measurement: z.string().nullable(),
  parameter: z.string().nullable(),
  relation: z.string().nullable(),
  demanded: WrittenAnswer.nullable(),
  accepted: WrittenAnswer.nullable(),
  margin: QuantityAnswer.nullable(),
  nearest: WrittenAnswer.nullable().describe(
    'What would conform in place of `accepted`, as near as can be, in the unit of the plan; of alternatives, those of the row named',
  ),
  facts: z.record(z.string(), z.string()),
})

/** A finding as it is stored: its instants as text. */
export function writeFinding(finding: Finding): z.infer<typeof StoredFindingWire> {
  const { demanded, accepted, nearest } = finding
  return {
    ...finding,
    from: writeInstant(finding.from),
    until: finding.until === null ? null : writeInstant(finding.until),
    demanded: Array.isArray(demanded) ? [...demanded] : (demanded as Exclude<Written, readonly string[]>),
    accepted: Array.isArray(accepted) ? [...accepted] : (accepted as Exclude<Written, readonly string[]>),
    nearest: Array.isArray(nearest) ? [...nearest] : (nearest as Exclude<Written, readonly string[]>),
    facts: { ...finding.facts },
  }
}

/** What was found in one interval. */
export interface Piece {
  readonly from: number
  readonly until: number | null
  readonly found: readonly Found[]
}

/**
 * The findings of adjoining intervals, given in the order of time: what is found the same in several after each other is
 * one finding. Their order depends only on what they say.
 */
export function joinPieces(pieces: readonly Piece[]): Finding[] {
  const closed: [string, Finding][] = []
  let open = new Map<string, Finding>()
  for (const { from, until, found } of pieces) {
    const going = new Map<string, Finding>()
    for (const one of found) {
      const key = findingKey(one)
      const before = open.get(key)
      if (!going.has(key)) going.set(key, { ...one, from: before?.from ?? from, until })
    }
    for (const entry of open) if (!going.has(entry[0])) closed.push(entry)
    open = going
  }
  return [...closed, ...open].sort(byBeginning).map(([, finding]) => finding)
}

function byBeginning([leftKey, left]: [string, Finding], [rightKey, right]: [string, Finding]): number {
  if (left.from !== right.from) return left.from - right.from
  if (left.severity !== right.severity) return left.severity === 'blocking' ? -1 : 1
  return leftKey < rightKey ? -1 : 1
}

/** The first instant, not before `from`, at which a blocking finding holds. */
export function demandedFrom(findings: Iterable<Finding>, from: number): number | undefined {
  let first: number | undefined
  for (const { severity, from: begins, until } of findings) {
    if (severity !== 'blocking' || (until !== null && until <= from)) continue
    const at = Math.max(begins, from)
    if (first === undefined || at < first) first = at
  }
  return first
}

/** From when, and by which findings, the revision is to be blocked; see `stepBlocks`. */
export function blockDemand(findings: readonly Finding[], from: number): BlockDemand | undefined {
  const at = demandedFrom(findings, from)
  if (at === undefined) return undefined
  const holding = findings.filter(
    (finding) =>
      finding.severity === 'blocking' && finding.from <= at && (finding.until === null || finding.until > at),
  )
  return { from: at, causes: [...new Set(holding.map(causeOf))].sort() }
}

/** A finding in short: its code, and the row of the edition or the step it is about. */
function causeOf({ code, table, edition, row, step }: Finding): string {
  const place = table === null ? step : `${table}/${edition}${row === null ? '' : ` ${row}`}`
  return place === null ? code : `${code} ${place}`
}
