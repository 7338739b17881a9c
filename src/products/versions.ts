import { type Cancelled, isKnownAt } from '../platform/versioned.ts'
import { type AttributeValue, readAttributes } from './attributes.ts'
import type { ProductContent } from './words.ts'

/** A version that a second person confirmed. Instants are milliseconds since the epoch; versions of rules are counts. */
export interface ConfirmedVersion {
  readonly product: string
  readonly version: number
  readonly digest: string
  /** First instant at which it holds; it holds until another of the product takes effect. */
  readonly effectiveFrom: number
  /** The house's rules version that its confirmation became. */
  readonly rulesVersion: number
  readonly publishedAt: number
  /** Where it was taken back before it took effect. */
  readonly cancelled?: Cancelled | undefined
  readonly content: ProductContent
}

/** What rules ask of a product or one variant of it, by name; numbers in canonical units. */
export type AttributeValues = ReadonlyMap<string, AttributeValue>

/**
 * The version in effect at `at`, as known at rules version `knownVersion`: the one that took effect last; of two at the
 * same instant the one confirmed later. Undefined before the first. Later confirmations and cancellations are not known,
 * so that an old check can be repeated.
 */
export function versionInEffect<V extends Pick<ConfirmedVersion, 'effectiveFrom' | 'rulesVersion' | 'cancelled'>>(
  versions: Iterable<V>,
  at: number,
  knownVersion: number,
): V | undefined {
  let inEffect: V | undefined
  for (const version of versions) {
    if (!isKnownAt(version, knownVersion) || version.effectiveFrom > at) continue
    if (inEffect === undefined || takesOver(version, inEffect)) inEffect = version
  }
  return inEffect
}

function takesOver(
  version: Pick<ConfirmedVersion, 'effectiveFrom' | 'rulesVersion'>,
  other: Pick<ConfirmedVersion, 'effectiveFrom' | 'rulesVersion'>,
): boolean {
  if (version.effectiveFrom !== other.effectiveFrom) return version.effectiveFrom > other.effectiveFrom
  return version.rulesVersion > other.rulesVersion
}

/** The names of the variants; a product without variants has the one name '', as in the database. */
export function variantNames(content: ProductContent): readonly string[] {
  const variants = content.variants ?? []
  return variants.length === 0 ? [''] : variants.map(({ variant }) => variant)
}

/**
 * The attributes of one variant: those of the product, replaced by its own, with `product`, `variant` and `family` (''
 * where there is none). Throws RangeError for a variant that the content does not name, and for content that
 * `checkProductContent` would refuse.
 */
export function attributeValues(content: ProductContent, variant: string): AttributeValues {
  const own = content.variants?.find((one) => one.variant === variant)
  if (own === undefined && !variantNames(content).includes(variant)) {
    throw new RangeError(`version ${content.version} of ${content.product} has no variant '${variant}'`)
  }
  const values = readSound(content.attributes)
  for (const [name, value] of readSound(own?.attributes ?? {})) values.set(name, value)
  values.set('product', content.product)
  values.set('variant', variant)
  values.set('family', content.family ?? '')
  return values
}

function readSound(attributes: Readonly<Record<string, unknown>>): Map<string, AttributeValue> {
  const { values, refusals } = readAttributes(attributes)
  const [first] = refusals
  if (first) throw new RangeError(`the attribute ${first.pointer} ${first.detail}`)
  return values
}
