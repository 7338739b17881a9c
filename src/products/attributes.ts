import { type Decimal, decimal, isNegative } from '../exact/decimal.ts'
import { readQuantity } from '../exact/quantity.ts'
import type { Dimension } from '../exact/unit-codes.ts'
import { type ContentRefusal, pointerToken } from '../platform/problems.ts'

/** IEC 61140 and IEC 60335-1, 3.3: protection against electric shock. Roman numerals, so they are words, not numbers. */
export const protectionClasses = ['0', '0I', 'I', 'II', 'III'] as const

/** Kinds of insulation between two circuits or parts (IEC 60335-1, 3.3). */
export const insulations = ['functional', 'basic', 'supplementary', 'double', 'reinforced'] as const

/** How an appliance is placed (IEC 60335-1, 3.5); touch and protective conductor current limits differ by it. */
export const mobilities = ['hand-held', 'portable', 'stationary', 'fixed'] as const

/** What the power goes into (IEC 60335-1, 3.5); limits per kilowatt hold for heating only. */
export const loadKinds = ['heating', 'motor-operated', 'combined'] as const

/** What one attribute may hold. A number without a dimension is a plain count, written as a JSON integer. */
export type AttributeDefinition =
  | { readonly type: 'string'; readonly values?: readonly string[] }
  | { readonly type: 'boolean' }
  | { readonly type: 'number'; readonly dimension?: Dimension; readonly counts?: readonly number[] }

/**
 * The single-valued attributes of a product or variant, by their name on the wire. Rule tables ask for these and no
 * others. `insulations` and `earthedParts` are lists and so cannot stand in an input column of a decision table.
 */
export const productAttributes = {
  protectionClass: { type: 'string', values: protectionClasses },
  functionalEarth: { type: 'boolean' },
  phases: { type: 'number', counts: [1, 3] },
  ratedVoltage: { type: 'number', dimension: 'voltage' },
  ratedFrequency: { type: 'number', dimension: 'frequency' },
  ratedCurrent: { type: 'number', dimension: 'current' },
  ratedPower: { type: 'number', dimension: 'power' },
  // The voltage across an insulation in normal use; it can exceed the rated one, for example at a motor winding.
  workingVoltage: { type: 'number', dimension: 'voltage' },
  liveToEarthCapacitance: { type: 'number', dimension: 'capacitance' },
  capacitanceTolerance: { type: 'number', dimension: 'ratio' },
  // Bond limits are often given without the supply cord, whose earth core then is added.
  earthCoreResistance: { type: 'number', dimension: 'resistance' },
  cordLength: { type: 'number', dimension: 'length' },
  mobility: { type: 'string', values: mobilities },
  loadKind: { type: 'string', values: loadKinds },
} as const satisfies Record<string, AttributeDefinition>

export type ProductAttribute = keyof typeof productAttributes

/** One attribute as the rules see it: a word, a yes or no, or a number in the canonical unit of its dimension. */
export type AttributeValue = string | boolean | Decimal

/** Reads one attribute from the wire; undefined where it is absent, which `null` and an empty value mean as well. */
export function readAttribute(
  definition: AttributeDefinition,
  wire: unknown,
): { value: AttributeValue | undefined } | { code: string; detail: string; member?: string } {
  if (wire === null || wire === undefined) return { value: undefined }
  switch (definition.type) {
    case 'boolean':
      return typeof wire === 'boolean' ? { value: wire } : { code: 'field-invalid', detail: 'must be true or false' }
    case 'string': {
      if (typeof wire !== 'string') return { code: 'field-invalid', detail: 'must be text' }
      if (definition.values && !definition.values.includes(wire)) {
        return { code: 'field-invalid', detail: `must be one of ${definition.values.join(', ')}` }
      }
      return { value: wire }
    }
    case 'number':
      return definition.dimension ? readMeasured(definition.dimension, wire) : readCount(definition.counts, wire)
  }
}

/**
 * Reads the `attributes` of a product version or variant. The two lists among them are left to their own schema; a
 * name outside the vocabulary is refused, since a rule could never ask for it and a slip in its spelling would hide.
 */
export function readAttributes(wire: Readonly<Record<string, unknown>>): {
  values: Map<string, AttributeValue>
  refusals: ContentRefusal[]
} {
  const values = new Map<string, AttributeValue>()
  const refusals: ContentRefusal[] = []
  for (const [name, text] of Object.entries(wire)) {
    if (name === 'insulations' || name === 'earthedParts') continue
    const pointer = `/${pointerToken(name)}`
    if (!isProductAttribute(name)) {
      refusals.push({ pointer, code: 'field-invalid', detail: 'is not an attribute of a product' })
      continue
    }
    const read = readAttribute(productAttributes[name], text)
    if ('code' in read) {
      const at = read.member ? `${pointer}/${read.member}` : pointer // No member: the whole is at fault.
      refusals.push({ pointer: at, code: read.code, detail: read.detail })
    } else if (read.value !== undefined) values.set(name, read.value)
  }
  return { values, refusals }
}

export function isProductAttribute(name: string): name is ProductAttribute {
  return Object.hasOwn(productAttributes, name)
}

function readCount(counts: readonly number[] | undefined, wire: unknown) {
  if (typeof wire !== 'number' || !Number.isSafeInteger(wire) || wire < 0) {
    return { code: 'field-invalid', detail: 'must be a whole number' }
  }
  if (counts && !counts.includes(wire)) return { code: 'field-invalid', detail: `must be one of ${counts.join(', ')}` }
  return { value: decimal(wire) }
}

function readMeasured(dimension: Dimension, wire: unknown) {
  const read = readQuantity(wire)
  if ('noReading' in read) return { value: undefined }
  if ('refused' in read) return { code: read.refused, detail: 'must be a number with a unit', member: read.member }
  const { quantity } = read
  if (quantity.relation !== '=') {
    return { code: 'field-invalid', detail: 'must be a value, not a bound', member: 'relation' }
  }
  if (quantity.dimension !== dimension) {
    return { code: 'field-invalid', detail: `must be in a unit of ${dimension}`, member: 'unit' }
  }
  if (isNegative(quantity.value)) return { code: 'field-invalid', detail: 'must not be negative', member: 'value' }
  return { value: quantity.value }
}
