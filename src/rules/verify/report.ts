import { z } from 'zod'
import { DigestWire } from '../../exact/canonical.ts'
import { KeyWire } from '../../exact/text.ts'
import { hitPolicies, parameters } from '../words.ts'

/** wrong: the edition is refused at submission. suspicious: it is warned of. meant: what the hit policy is there for. */
export const severities = ['wrong', 'suspicious', 'meant'] as const
export type Severity = (typeof severities)[number]

/** Whether two rows demand the same wherever both match. undecided: their formulas differ, whether their results
 * do is not shown. */
export const agreements = ['same', 'different', 'undecided'] as const
export type Agreement = (typeof agreements)[number]

/** How often an edge of a range is covered by rows that cover both sides of it once. */
export const edgeCovers = ['not-at-all', 'twice'] as const

/**
 * Why a row never counts: nothing that its attributes can be matches it, other rows take its place wherever it matches, or
 * another row demands the same wherever it matches.
 */
export const idleReasons = ['matches-nothing', 'taken-by-others', 'says-nothing-new'] as const
export type IdleReason = (typeof idleReasons)[number]

/** Why a cell has no result for some input. */
export const noResultReasons = ['division-by-zero', 'range-empty'] as const

/** What was given up beyond a bound of work; what is listed of it is true, but may not be all. */
export const unfinishedParts = ['gaps', 'rows', 'results', 'demands'] as const
export type UnfinishedPart = (typeof unfinishedParts)[number]

/** What an edition is warned of when it is submitted. */
export const tableWarningCodes = [
  'gap',
  'edge-not-covered',
  'edge-covered-twice',
  'row-idle',
  'overlap-undecided',
  'result-undecided',
  'never-applies',
  'not-fully-verified',
] as const

/** Items of each list that are answered; the count beside it says how many were found. */
export const LISTED_MAX = 50

const SideWire = z
  .strictObject({
    attribute: z.string(),
    tests: z.string().describe('FEEL unary tests, in the unit; - is all that the table is made for'),
    unit: z.string().nullable(),
  })
  .meta({ id: 'VerificationSide', description: 'One input of a region; the region is where all of them hold' })

const ValueWire = z
  .strictObject({
    attribute: z.string(),
    value: z.string().describe('Plain digits, or the word'),
    unit: z.string().nullable(),
  })
  .meta({ id: 'VerificationValue', description: 'One input of an example' })

const place = {
  severity: z.enum(severities).describe('wrong is refused at submission; suspicious is warned of; meant is neither'),
  region: z.array(SideWire).describe('Of more than 20 ranges or words of one input the first are written'),
}
const ExampleWire = z.array(ValueWire).describe('One input in the region')

const OverlapWire = z
  .strictObject({
    rows: z.array(KeyWire).describe('The two'),
    demands: z.enum(agreements).describe('undecided: formulas that differ, whose results were not shown to'),
    ...place,
    example: ExampleWire,
  })
  .meta({ id: 'VerificationOverlap', description: 'Two rows that match the same inputs' })

const GapWire = z.strictObject({ ...place, example: ExampleWire }).meta({
  id: 'VerificationGap',
  description: 'Inputs that no row matches, as large as a region can be; gaps may overlap',
})

const EdgeWire = z
  .strictObject({
    attribute: z.string(),
    value: z.string().describe('Where ranges of rows end'),
    unit: z.string().nullable(),
    covered: z.enum(edgeCovers),
    rows: z.array(KeyWire).describe('Those that both cover it'),
    ...place,
    example: ExampleWire,
  })
  .meta({ id: 'VerificationEdge', description: 'A single number at which a range ends, in no row or in two' })

const IdleRowWire = z
  .strictObject({
    row: KeyWire,
    because: z.enum(idleReasons),
    by: z.array(KeyWire).describe('Rows that match in its place at the example, or that demand the same'),
    ...place,
    example: ExampleWire.nullable().describe('Null where nothing matches it'),
  })
  .meta({ id: 'VerificationIdleRow', description: 'A row that never counts' })

const NoResultWire = z
  .strictObject({
    row: KeyWire,
    parameter: z.enum(parameters),
    pointer: z.string().describe('The cell in the content'),
    because: z.enum(noResultReasons),
    isShown: z.boolean().describe('False where it was neither shown nor excluded'),
    ...place,
    example: ExampleWire.nullable().describe('An input for which there is no result; null where none was found'),
  })
  .meta({ id: 'VerificationNoResult', description: 'An output cell that comes to nothing for some input of its row' })

const count = z.int().describe('Found; the list holds the first of them')

/** What is wrong or suspicious with a rule table as a table, whatever its source says. */
export const TableVerificationWire = z
  .strictObject({
    table: KeyWire,
    edition: z.int(),
    digest: DigestWire.describe('Of the content that was verified'),
    hitPolicy: z.enum(hitPolicies),
    neverApplies: z.boolean().describe('No input meets appliesWhen and the values of the columns'),
    overlapCount: count,
    overlaps: z.array(OverlapWire).max(LISTED_MAX),
    gapCount: count,
    gaps: z.array(GapWire).max(LISTED_MAX),
    edgeCount: count,
    edges: z.array(EdgeWire).max(LISTED_MAX),
    idleRowCount: count,
    idleRows: z.array(IdleRowWire).max(LISTED_MAX),
    noResultCount: count,
    noResults: z.array(NoResultWire).max(LISTED_MAX),
    unfinished: z
      .array(z.enum(unfinishedParts))
      .describe('What was not searched to its end, since the table is too intricate; what is listed of it is true'),
  })
  .meta({ id: 'TableVerification' })
export type TableVerification = z.infer<typeof TableVerificationWire>
export type Overlap = TableVerification['overlaps'][number]
export type Gap = TableVerification['gaps'][number]
export type Edge = TableVerification['edges'][number]
export type IdleRow = TableVerification['idleRows'][number]
export type NoResultOfCell = TableVerification['noResults'][number]

/** A list of which the first are kept, the worst before others, and all counted. */
export interface Listed<Item> {
  readonly count: number
  readonly items: readonly Item[]
}

export interface Listing<Item> {
  readonly add: (severity: Severity, item: () => Item) => void
  readonly listed: () => Listed<Item>
}

/** Keeps the first items, the worst before others, and makes no more of them than it keeps. */
export function listing<Item>(): Listing<Item> {
  const kept: Record<Severity, Item[]> = { wrong: [], suspicious: [], meant: [] }
  let count = 0
  return {
    add: (severity, item) => {
      count += 1
      if (kept[severity].length < LISTED_MAX) kept[severity].push(item())
    },
    listed: () => ({ count, items: [...kept.wrong, ...kept.suspicious, ...kept.meant].slice(0, LISTED_MAX) }),
  }
}
