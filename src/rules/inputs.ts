import {
  type AttributeDefinition,
  type AttributeValue,
  insulations,
  isProductAttribute,
  productAttributes,
} from '../products/attributes.ts'
import type { FurtherInput, Subject } from './words.ts'

/** Attributes of the product, variant and step in hand, by name; numbers in canonical units. */
export type Attributes = ReadonlyMap<string, AttributeValue>

interface InputDefinition {
  readonly definition: AttributeDefinition
  /** Undefined: known for every subject. */
  readonly subjects?: readonly Subject[]
}

const identity: InputDefinition = { definition: { type: 'string' } }

/** Inputs that are not attributes of the product: whose it is, and what the step states of itself. */
const furtherDefinitions: ReadonlyMap<string, InputDefinition> = new Map<FurtherInput, InputDefinition>([
  ['product', identity],
  ['variant', identity],
  ['family', identity],
  [
    'insulation',
    {
      definition: { type: 'string', values: insulations },
      subjects: ['electric-strength-ac', 'electric-strength-dc', 'insulation-resistance'],
    },
  ],
  ['network', { definition: { type: 'string' }, subjects: ['touch-current'] }],
  [
    'detector',
    {
      definition: { type: 'string' },
      subjects: ['electric-strength-ac', 'electric-strength-dc', 'touch-current', 'protective-conductor-current'],
    },
  ],
  ['method', { definition: { type: 'string' }, subjects: ['protective-bonding', 'protective-continuity'] }],
])

/** What the attribute `name` is to a table about `subject`; 'elsewhere' where only other subjects have it. */
export function inputDefinition(name: string, subject: Subject): AttributeDefinition | 'elsewhere' | undefined {
  if (isProductAttribute(name)) return productAttributes[name]
  const further = furtherDefinitions.get(name)
  if (!further) return undefined
  return further.subjects && !further.subjects.includes(subject) ? 'elsewhere' : further.definition
}
