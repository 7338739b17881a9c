import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { QuantityWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { draftAnswer, EffectWire, NumberWire, stoppedAnswer } from '../platform/versioned-words.ts'
import { insulations, loadKinds, mobilities, type ProductAttribute, protectionClasses } from './attributes.ts'
import { SerialRuleWire } from './serial.ts'

/** Where a tester can be connected to any product, besides its own earthed parts (payloads, product version). */
export const terminals = [
  'line',
  'neutral',
  'line-1',
  'line-2',
  'line-3',
  'live',
  'protective-conductor',
  'plug-earth-pin',
  'accessible-metal',
] as const

/**
 * draft: still written. in-review: frozen, waiting for the second person. confirmed: in effect from its instant on.
 * rejected: sent back, and stays as it was read. cancelled: taken back before its instant.
 */
export const versionStates = ['draft', 'in-review', 'confirmed', 'rejected', 'cancelled'] as const
export type VersionState = (typeof versionStates)[number]

/** Schemas of the single-valued attributes; the vocabulary with types and dimensions is attributes.ts. */
const attributeWires = {
  protectionClass: z.enum(protectionClasses).describe('IEC 61140'),
  functionalEarth: z.boolean().describe('A conductor to earth that protects nobody'),
  phases: z.literal([1, 3]).describe('Of the supply'),
  ratedVoltage: QuantityWire.describe('V, kV'),
  ratedFrequency: QuantityWire.describe('Hz'),
  ratedCurrent: QuantityWire.describe('A, mA'),
  ratedPower: QuantityWire.describe('W, kW'),
  workingVoltage: QuantityWire.describe('Highest that the insulation is under in use'),
  liveToEarthCapacitance: QuantityWire.describe('nF, pF; the expected leakage is computed from it'),
  capacitanceTolerance: QuantityWire.describe('%, either way'),
  earthCoreResistance: QuantityWire.describe('Of the protective core of the supply cord'),
  cordLength: QuantityWire.describe('m'),
  mobility: z.enum(mobilities).describe('How it is moved in use'),
  loadKind: z.enum(loadKinds).describe('What the mains power does in it'),
} as const satisfies Record<ProductAttribute, z.ZodType>

/** What a variant says differently from its product: any single-valued attribute. */
const VariantAttributesWire = z.strictObject({
  protectionClass: attributeWires.protectionClass.nullish(),
  functionalEarth: attributeWires.functionalEarth.nullish(),
  phases: attributeWires.phases.nullish(),
  ratedVoltage: attributeWires.ratedVoltage.nullish(),
  ratedFrequency: attributeWires.ratedFrequency.nullish(),
  ratedCurrent: attributeWires.ratedCurrent.nullish(),
  ratedPower: attributeWires.ratedPower.nullish(),
  workingVoltage: attributeWires.workingVoltage.nullish(),
  liveToEarthCapacitance: attributeWires.liveToEarthCapacitance.nullish(),
  capacitanceTolerance: attributeWires.capacitanceTolerance.nullish(),
  earthCoreResistance: attributeWires.earthCoreResistance.nullish(),
  cordLength: attributeWires.cordLength.nullish(),
  mobility: attributeWires.mobility.nullish(),
  loadKind: attributeWires.loadKind.nullish(),
} satisfies Record<ProductAttribute, z.ZodType>)

const InsulationWire = z.strictObject({
  between: z.tuple([KeyWire, KeyWire]).describe('Two circuits, such as live and protective-conductor'),
  insulation: z.enum(insulations).describe('What parts them'),
})

const ProductAttributesWire = VariantAttributesWire.extend({
  protectionClass: attributeWires.protectionClass,
  functionalEarth: attributeWires.functionalEarth,
  phases: attributeWires.phases,
  ratedVoltage: attributeWires.ratedVoltage,
  ratedFrequency: attributeWires.ratedFrequency,
  insulations: z.array(InsulationWire).min(1).max(50).describe('What parts each pair of circuits'),
  /** Keys of the parts joined to the protective conductor; needed for classes 0I and I. */
  earthedParts: z
    .array(KeyWire)
    .max(50)
    .nullish()
    .describe('Keys of the parts joined to the protective conductor; needed for classes 0I and I'),
})

const VariantWire = z.strictObject({
  variant: KeyWire.describe('Its key'),
  attributes: VariantAttributesWire.nullish().describe('What it has otherwise than the product'),
})

/** Content of a product version: what its digest covers. */
export const ProductContentWire = z
  .strictObject({
    product: KeyWire.describe('Its key'),
    version: NumberWire.describe('Any number above the highest so far'),
    name: TextWire(200).describe('For people'),
    family: KeyWire.nullish().describe('For rules that are for a family'),
    attributes: ProductAttributesWire.describe('What rules ask about'),
    variants: z.array(VariantWire).max(200).nullish().describe('None: it is made in one form'),
    serialRule: SerialRuleWire.describe('Which serial numbers are its'),
    ruleSets: z.array(KeyWire).min(1).max(50).describe('Collections of rule tables that it is made to; at least one'),
    operationsRequired: z.array(KeyWire).min(1).max(20).describe('Operations that each unit must pass before it ships'),
  })
  .meta({ id: 'ProductContent' })
export type ProductContent = z.infer<typeof ProductContentWire>

export const VersionDraftWire = z
  .strictObject({
    content: ProductContentWire,
    changeReason: TextWire(1000).nullish().describe('Why there is another; needed for every number above 1'),
  })
  .meta({ id: 'ProductVersionDraft' })
export type VersionDraft = z.infer<typeof VersionDraftWire>

export const ConfirmationWire = z
  .strictObject({
    digest: DigestWire,
    /** What the signature means, in the signer's words. */
    meaning: TextWire(200),
    /** Absent: at once. */
    effectiveFrom: EffectWire.nullish(),
  })
  .meta({ id: 'ProductVersionConfirmation' })
export type Confirmation = z.infer<typeof ConfirmationWire>

/** What is accepted in a version and yet looks like a slip. */
const VersionWarningWire = z
  .strictObject({ pointer: z.string(), code: z.enum(['rule-set-unknown']), detail: z.string() })
  .meta({ id: 'ProductVersionWarning' })
export type VersionWarning = z.infer<typeof VersionWarningWire>

/** A version as it is answered. What has not happened yet is null. */
export const ProductVersionWire = z
  .strictObject({
    product: KeyWire,
    version: z.int(),
    state: z.enum(versionStates),
    content: ProductContentWire,
    ...draftAnswer,
    confirmedAt: InstantWire.nullable(),
    confirmedBy: KeyWire.nullable(),
    confirmedMeaning: z.string().nullable(),
    effectiveFrom: InstantWire.nullable(),
    /** The house's rules version that the confirmation became. */
    rulesVersion: z.int().nullable(),
    ...stoppedAnswer,
    warnings: z.array(VersionWarningWire).describe('As of now; none stands in the way of an act'),
  })
  .meta({ id: 'ProductVersion' })
export type ProductVersion = z.infer<typeof ProductVersionWire>

/** A product and where its versions stand. */
export const ProductWire = z
  .strictObject({
    product: KeyWire,
    recordedAt: InstantWire,
    latestVersion: z.int(),
    /** The version in effect now; null where none is confirmed yet, or the first only takes effect later. */
    versionInEffect: z.int().nullable(),
  })
  .meta({ id: 'Product' })
export type Product = z.infer<typeof ProductWire>
