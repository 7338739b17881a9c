import { readFileSync } from 'node:fs'
import planDraft from '../../seed/aldermoor/plan-ex36-final-7.json' with { type: 'json' }
import productDraft from '../../seed/aldermoor/product-ex36-3.json' with { type: 'json' }
import strengthDraft from '../../seed/aldermoor/rule-extractor-strength-3.json' with { type: 'json' }
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import { type EditionContent, EditionContentWire } from '../../src/rules/words.ts'

/**
 * The worked example of the wire contract, about Aldermoor Works, an invented maker: no number here is a limit for a
 * real product. Content is written once, in seed/aldermoor; whoever changes it here takes a copy.
 */

// biome-ignore lint/suspicious/noExplicitAny: wire documents are taken apart and changed by tests.
export type Wire = any

/** Version 3 of the workshop dust extractor, as it is sent. */
export const productWire = productDraft.content

/** Revision 7 of its final test, as it is sent. */
export const planWire = planDraft.content

/** Edition 3 of the strength table for dust extractors, as it is sent. */
export const strengthWire = strengthDraft.content

/** The upload of one EX36-3M, byte for byte. */
export const contractUpload: string = readFileSync(
  new URL('../exact/vectors/upload-lds-f2-0007315.json', import.meta.url),
  'utf8',
)

/** Version 3 of the dust extractor with other members in place of its own. A new copy each time. */
export function ex36(change: Partial<ProductContent> = {}): ProductContent {
  return { ...ProductContentWire.parse(productWire), ...change }
}

/** Edition 3 of the strength table with other members in place of its own. A new copy each time. */
export function extractorStrength(change: Partial<EditionContent> = {}): EditionContent {
  return { ...EditionContentWire.parse(strengthWire), ...change }
}
