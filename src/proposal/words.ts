import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { FindingWire, revisionCheckVerdicts } from '../plans/findings.ts'
import { PlanContentWire } from '../plans/words.ts'
import { NumberWire } from '../platform/versioned-words.ts'

/** What a proposed value rests on. */
export const reasonKinds = [
  'rule', // A row of a table in effect demands it.
  'physics', // Computed from the product: the current that a sound unit draws.
  'readings', // What units that passed have read.
  'product', // Said by the product version.
  'plan', // As the newest revision of the plan has it.
  'instrument', // What the instrument named can do.
  'default', // Common practice; nobody demands it.
] as const

/** What a plan is to be proposed for. What is left out is taken from the plan's newest revision, or from the product. */
export const ProposalRequestWire = z
  .strictObject({
    product: KeyWire.nullish().describe('Needed where the plan has no revision yet'),
    productVersion: NumberWire.nullish().describe('The version in effect where left out, or else the highest'),
    operation: KeyWire.nullish().describe('That of the plan where left out, or the only one that the product requires'),
    site: KeyWire.nullish().describe(
      'For this site alone, and by its stored readings; for the sites of the plan where left out, and by the readings of all',
    ),
    instrument: KeyWire.nullish().describe('Settings are kept within its ranges'),
    variants: z
      .array(KeyWire)
      .min(1)
      .max(200)
      .nullish()
      .describe('Whose stored readings are looked at, where not all; rules are met for every variant all the same'),
  })
  .meta({ id: 'PlanProposalRequest' })
export type ProposalRequest = z.infer<typeof ProposalRequestWire>

/** The row that a value comes from. */
const RuleSourceWire = z
  .strictObject({
    table: KeyWire,
    edition: z.int(),
    row: KeyWire,
    document: z.string().nullable(),
    documentEdition: z.string().nullable(),
    clause: z.string().nullable(),
  })
  .meta({ id: 'PlanProposalRule' })
export type RuleSource = z.infer<typeof RuleSourceWire>

/** Stored readings in short, in one unit: ISO 22514-2 describes a process by these three quantiles. */
const ReadingsSourceWire = z
  .strictObject({
    count: z.int().describe('Readings looked at'),
    censoredCount: z.int().describe('Those of which only a bound is known; they have a place, and no number'),
    method: z
      .enum(['quantiles', 'robust'])
      .describe('quantiles: 0.135 % and 99.865 % as observed; robust: from the median and the 15.865 % and 84.135 %'),
    lower: z.string().nullable().describe('Null: not known, because of bounds, or because it would be below zero'),
    median: z.string(),
    upper: z.string().nullable(),
    unit: z.string(),
  })
  .meta({ id: 'PlanProposalReadings' })
export type ReadingsSource = z.infer<typeof ReadingsSourceWire>

const ReasonWire = z
  .strictObject({
    pointer: z.string().describe('RFC 6901, into `content`'),
    value: z.string().describe('What stands there'),
    because: z.string(),
    source: z.enum(reasonKinds),
    rule: RuleSourceWire.nullable(),
    readings: ReadingsSourceWire.nullable(),
  })
  .meta({ id: 'PlanProposalReason' })
export type Reason = z.infer<typeof ReasonWire>

const OpenWire = z
  .strictObject({
    pointer: z.string().nullable().describe('RFC 6901, into `content`; null: of no single value'),
    text: z.string(),
  })
  .meta({ id: 'PlanProposalOpen' })
export type Open = z.infer<typeof OpenWire>

/** A proposal. It is an answer and nothing else: stored nowhere, approved by nobody. */
export const ProposalWire = z
  .strictObject({
    content: PlanContentWire.describe('Can be sent as a draft as it is'),
    reasons: z.array(ReasonWire).describe('One for every number and choice in `content`'),
    open: z.array(OpenWire).describe('What a person must still decide'),
    check: z
      .strictObject({
        rulesVersion: z.int(),
        verdict: z.enum(revisionCheckVerdicts),
        editions: z.array(z.string()).describe('Those that applied, as table/edition'),
        findings: z.array(FindingWire),
      })
      .describe('What rules and physics say of `content`'),
    cautions: z.array(z.string()),
    governing: z.string(),
  })
  .meta({ id: 'PlanProposal' })
export type Proposal = z.infer<typeof ProposalWire>
