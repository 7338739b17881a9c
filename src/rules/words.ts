import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import type { Dimension } from '../exact/unit-codes.ts'
import { EffectWire, NumberWire } from '../platform/versioned-words.ts'
import { productAttributes } from '../products/attributes.ts'

/** The kinds of test a step may be, in the standards' own terms. */
export const stepKinds = [
  'protective-bonding',
  'protective-continuity',
  'electric-strength-ac',
  'electric-strength-dc',
  'insulation-resistance',
  'touch-current',
  'protective-conductor-current',
  'residual-voltage',
  'inspection',
] as const
export type StepKind = (typeof stepKinds)[number]

/** What a rule table speaks of: one kind of step, or the plan as a whole. */
export const subjects = [...stepKinds, 'plan'] as const
export type Subject = (typeof subjects)[number]

/**
 * Hit policies by the letters of OMG DMN 1.5, section 8.2.8: unique, any, priority, first; rule order, output order;
 * collect, and collect with sum, least, greatest and count.
 */
export const hitPolicies = ['U', 'A', 'P', 'F', 'R', 'O', 'C', 'C+', 'C<', 'C>', 'C#'] as const
export type HitPolicy = (typeof hitPolicies)[number]

export const ruleRelations = ['>=', '<=', '=', 'in'] as const
export type RuleRelation = (typeof ruleRelations)[number]

/** What a row may demand: the plan's own field names. */
export const parameters = [
  'testVoltage',
  'dwell',
  'rampUp',
  'rampRate',
  'testCurrent',
  'sourceVoltage',
  'tripCurrent',
  'limitUpper',
  'limitLower',
  'frequency',
  'residualVoltage',
  'limitInRamp',
  'stepPresent',
  'precedes',
] as const
export type Parameter = (typeof parameters)[number]

/** What rules may ask for beside the attributes of a product: whose they are, and what the step states of itself. */
export const furtherInputs = ['product', 'variant', 'family', 'insulation', 'network', 'detector', 'method'] as const
export type FurtherInput = (typeof furtherInputs)[number]

/** Which tests a source speaks of: every unit in production, a sample of the type, or units already in use. */
export const uses = ['routine', 'type', 'in-service'] as const
export const verifications = ['verified', 'unverified', 'invented'] as const

/** How a row may stop a revision, or why a table could not be compared with it. Stored in findings: never reused. */
export const requirementCodes = [
  'requirement-not-met',
  'parameter-absent',
  'parameter-unbounded',
  'rule-gap',
  'rule-ambiguous',
  'attribute-missing',
  'formula-uncomputable',
] as const
export type RequirementCode = (typeof requirementCodes)[number]

/** What a parameter holds: a number of some dimension, a yes or no, or a list of step kinds. */
export type ParameterNature = { readonly dimension: Dimension } | 'flag' | 'kinds'

const measured = {
  testVoltage: 'voltage',
  dwell: 'time',
  rampUp: 'time',
  rampRate: 'voltage-rate',
  testCurrent: 'current',
  sourceVoltage: 'voltage',
  tripCurrent: 'current',
  frequency: 'frequency',
  residualVoltage: 'voltage',
} as const satisfies Partial<Record<Parameter, Dimension>>

/** What the readings of a kind of step are, and so its limits. */
export const readingDimensions: Readonly<Record<StepKind, Dimension | undefined>> = {
  'protective-bonding': 'resistance',
  'protective-continuity': 'resistance',
  'electric-strength-ac': 'current',
  'electric-strength-dc': 'current',
  'insulation-resistance': 'resistance',
  'touch-current': 'current',
  'protective-conductor-current': 'current',
  'residual-voltage': 'voltage',
  inspection: undefined, // A look, without a number.
}

/** What `parameter` holds under `subject`; undefined where that subject has no such parameter. */
export function parameterNature(parameter: Parameter, subject: Subject): ParameterNature | undefined {
  if (subject === 'plan') return parameter === 'stepPresent' ? 'kinds' : undefined
  switch (parameter) {
    case 'stepPresent':
      return undefined
    case 'precedes':
      return 'kinds'
    case 'limitInRamp':
      return subject === 'electric-strength-ac' || subject === 'electric-strength-dc' ? 'flag' : undefined
    case 'limitUpper':
    case 'limitLower': {
      const dimension = readingDimensions[subject]
      return dimension && { dimension }
    }
    case 'residualVoltage':
      // There it is the reading itself, whose bound is limitUpper.
      return subject === 'inspection' || subject === 'residual-voltage' ? undefined : { dimension: 'voltage' }
    default:
      return subject === 'inspection' ? undefined : { dimension: measured[parameter] }
  }
}

/** Cells are short; the bound keeps parsing cheap whatever is sent. */
export const CELL_MAX = 500
const CellWire = TextWire(CELL_MAX)

const InputWire = z.strictObject({
  attribute: KeyWire.describe(
    'A product or variant attribute, product variant family, or the step’s insulation network detector method',
  ),
  type: z.enum(['string', 'number', 'boolean']).describe('Of its values'),
  unit: TextWire(16).nullish().describe('Of a number'),
  values: CellWire.nullish().describe('FEEL unary tests: the values that the table is made for'),
})

const OutputWire = z.strictObject({
  parameter: z.enum(parameters).describe('Of a step, or stepPresent under the subject plan'),
  relation: z
    .enum(ruleRelations)
    .describe('>= meets the least that a plan accepts, <= the most; in: a list or a range'),
  unit: TextWire(16).nullish().describe('Of a number'),
  values: CellWire.nullish().describe('What may stand in this column; under P and O in falling priority'),
})

const RowWire = z.strictObject({
  row: KeyWire.describe('Its key'),
  when: z
    .array(CellWire)
    .max(20)
    .describe('One cell for each input: FEEL unary tests, such as "I","II" or [150..300] or > 16; - is any'),
  then: z
    .array(CellWire)
    .max(20)
    .describe('One cell for each output: a value or a formula, such as 1000 + 2 * ratedVoltage; - demands nothing'),
})

const SourceWire = z.strictObject({
  rows: z.array(KeyWire).min(1).max(500).describe('Those that the source says'),
  document: TextWire(200).describe('Standard, law or house rule'),
  documentEdition: TextWire(100).describe('Or year'),
  clause: TextWire(100).describe('Where in it'),
  use: z.enum(uses).describe('What the clause is for; only routine rows bind a production plan'),
  verification: z
    .enum(verifications)
    .describe('Whether somebody compared the row with the document; invented ones bind only with a reason'),
})

const OverrideWire = z.strictObject({
  table: KeyWire.describe('A more general one'),
  parameter: z.enum(parameters).describe('Taken out of it where both apply'),
  reason: TextWire(1000).describe('Why'),
})

// Every name is listed, so that an unknown one is refused; of a record Zod would drop the name `__proto__` in silence.
const AppliesWhenWire = z.strictObject(
  Object.fromEntries(
    [...Object.keys(productAttributes), ...furtherInputs].map((name) => [
      name,
      CellWire.nullish().describe('FEEL unary tests'),
    ]),
  ),
)

/** Content of an edition: what its digest covers. */
export const EditionContentWire = z
  .strictObject({
    table: KeyWire.describe('Its key'),
    edition: NumberWire.describe('Any number above the highest so far'),
    title: TextWire(200).describe('For people'),
    ruleSet: KeyWire.describe('The collection that it belongs to'),
    subject: z.enum(subjects).describe('The kind of step that it speaks of, or plan'),
    appliesWhen: AppliesWhenWire.nullish().describe('Where the table speaks at all; everywhere where left out'),
    hitPolicy: z
      .enum(hitPolicies)
      .describe(
        'Of DMN: U, A, F, P, C< and C> pick one row; C, R and O leave alternatives, of which one must be met wholly',
      ),
    overrides: z
      .array(OverrideWire)
      .max(100)
      .nullish()
      .describe('Demands of more general tables that this one replaces'),
    inputs: z.array(InputWire).max(20).describe('Columns that rows are chosen by'),
    outputs: z
      .array(OutputWire)
      .min(1)
      .max(20)
      .describe('Columns of what is demanded; outputs of one row hold together'),
    rows: z.array(RowWire).min(1).max(500).describe('Alternatives or cases, by the hit policy'),
    sources: z.array(SourceWire).min(1).max(500).describe('Where each row comes from; every row has one'),
  })
  .meta({ id: 'EditionContent' })
export type EditionContent = z.infer<typeof EditionContentWire>
export type Source = EditionContent['sources'][number]
export type Override = NonNullable<EditionContent['overrides']>[number]

export const EditionDraftWire = z
  .strictObject({
    content: EditionContentWire,
    changeReason: TextWire(1000).nullish().describe('Why there is another; needed for every number above 1'),
  })
  .meta({ id: 'EditionDraft' })
export type EditionDraft = z.infer<typeof EditionDraftWire>

export const PublicationRequestWire = z
  .strictObject({
    digest: DigestWire.describe('Of the content that was read'),
    effectiveFrom: EffectWire.describe('at-once, or an instant to come'),
    meaning: TextWire(200).describe('What the signature means'),
    bindsBecause: TextWire(1000)
      .nullish()
      .describe(
        'Why its rows bind though no verified source about routine tests states them; without it those rows only warn',
      ),
  })
  .meta({ id: 'EditionPublication' })
export type PublicationRequest = z.infer<typeof PublicationRequestWire>
