import { compare, type Decimal, decimal } from '../exact/decimal.ts'
import type { Building } from './building.ts'
import type { Reasoned } from './said.ts'

/** The rated value of the product; where variants differ the greatest, since a plan has one setting for all. */
export function nominal({ variants, subjectsOf }: Building, attribute: 'ratedVoltage' | 'ratedFrequency'): Reasoned {
  let most: Decimal | undefined
  for (const variant of variants) {
    for (const { attributes } of subjectsOf(variant)) {
      const value = attributes.get(attribute)
      if (typeof value === 'object' && (!most || compare(value, most) > 0)) most = value
    }
  }
  return { value: most ?? decimal(0), why: { source: 'product', because: `The ${attribute} of the product.` } }
}
