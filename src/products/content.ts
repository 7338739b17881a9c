import { compare, isZero, ONE } from '../exact/decimal.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import { type AttributeValue, readAttributes } from './attributes.ts'
import { readSerialRule } from './serial.ts'
import { type ProductContent, terminals } from './words.ts'

/** Classes whose protection is a connection to earth (IEC 61140, 7.3), so that earthed parts must be known. */
const earthedClasses: readonly string[] = ['0I', 'I']

/** Every terminal a plan for this product may name: the common ones and the product's own earthed parts. */
export function terminalsOf(content: ProductContent): ReadonlySet<string> {
  return new Set([...terminals, ...(content.attributes.earthedParts ?? [])])
}

/**
 * What the schema cannot see: dimensions, references inside the content, names that occur twice, and attributes that
 * contradict each other in the product itself or in one of its variants. All refusals are given, none for sound content.
 */
export function checkProductContent(content: ProductContent): ContentRefusal[] {
  return [
    ...checkAttributes(content),
    ...checkEarthedParts(content),
    ...checkInsulations(content),
    ...checkVariants(content),
    ...checkSerialRule(content),
    ...checkUnique(content.ruleSets, '/ruleSets', 'this rule set'),
    ...checkUnique(content.operationsRequired, '/operationsRequired', 'this operation'),
  ]
}

function checkAttributes(content: ProductContent): ContentRefusal[] {
  const refusals = readChecked(content.attributes, '/attributes')
  content.variants?.forEach(({ attributes }, index) => {
    refusals.push(...readChecked(attributes ?? {}, `/variants/${index}/attributes`))
  })
  return refusals
}

function readChecked(attributes: Readonly<Record<string, unknown>>, pointer: string): ContentRefusal[] {
  const { values, refusals } = readAttributes(attributes)
  const found = refusals.map(({ pointer: inner, code, detail }) => refusal(`${pointer}${inner}`, detail, code))
  if (isZeroNumber(values.get('ratedVoltage'))) {
    found.push(refusal(`${pointer}/ratedVoltage/value`, 'must be above zero'))
  }
  const tolerance = values.get('capacitanceTolerance')
  if (typeof tolerance === 'object' && compare(tolerance, ONE) > 0) {
    found.push(
      refusal(`${pointer}/capacitanceTolerance/value`, 'must not be above 100 %: no capacitance is below zero'),
    )
  }
  return found
}

function isZeroNumber(value: AttributeValue | undefined): boolean {
  return typeof value === 'object' && isZero(value)
}

function checkEarthedParts(content: ProductContent): ContentRefusal[] {
  const { earthedParts, protectionClass, functionalEarth } = content.attributes
  const refusals = checkUnique(earthedParts ?? [], '/attributes/earthedParts', 'this part')
  earthedParts?.forEach((part, index) => {
    if ((terminals as readonly string[]).includes(part)) {
      refusals.push(refusal(`/attributes/earthedParts/${index}`, `${part} is already a terminal of every product`))
    }
  })
  const hasParts = (earthedParts ?? []).length > 0
  const classes = [protectionClass, ...(content.variants ?? []).map(({ attributes }) => attributes?.protectionClass)]
  const needs = classes.findIndex((one) => typeof one === 'string' && earthedClasses.includes(one))
  if (!hasParts && needs === 0) {
    refusals.push(
      refusal('/attributes/earthedParts', `is required for protection class ${protectionClass}`, 'field-missing'),
    )
  } else if (!hasParts && needs > 0) {
    refusals.push(refusal(`/variants/${needs - 1}/attributes/protectionClass`, 'needs the earthedParts of the product'))
  }
  const isFunctional =
    functionalEarth || (content.variants ?? []).some(({ attributes }) => attributes?.functionalEarth === true)
  if (hasParts && needs < 0 && !isFunctional) {
    refusals.push(
      refusal(
        '/attributes/earthedParts',
        `stands against protection class ${protectionClass} without a functional earth`,
      ),
    )
  }
  return refusals
}

function checkInsulations(content: ProductContent): ContentRefusal[] {
  const known = terminalsOf(content)
  const refusals: ContentRefusal[] = []
  const pairs = new Set<string>()
  content.attributes.insulations.forEach(({ between }, index) => {
    const pointer = `/attributes/insulations/${index}/between`
    between.forEach((terminal, side) => {
      if (!known.has(terminal))
        refusals.push(refusal(`${pointer}/${side}`, `${terminal} is no terminal of this product`))
    })
    if (between[0] === between[1]) refusals.push(refusal(pointer, 'an insulation lies between two different terminals'))
    // Keys hold no blank, so two pairs never give one text.
    const pair = [...between].sort().join(' ')
    if (pairs.has(pair)) refusals.push(refusal(pointer, 'the insulation between these two is stated twice'))
    pairs.add(pair)
  })
  return refusals
}

function checkVariants(content: ProductContent): ContentRefusal[] {
  const names = (content.variants ?? []).map(({ variant }) => variant)
  const repeated = repeatedIndexes(names)
  return repeated.map((index) => refusal(`/variants/${index}/variant`, `the variant ${names[index]} is given twice`))
}

function checkSerialRule(content: ProductContent): ContentRefusal[] {
  const read = readSerialRule(content.serialRule)
  if ('compiled' in read) return []
  return read.refusals.map(({ at, detail }) => refusal('/serialRule/pattern', `at character ${at + 1}: ${detail}`))
}

function checkUnique(names: readonly string[], pointer: string, what: string): ContentRefusal[] {
  return repeatedIndexes(names).map((index) => refusal(`${pointer}/${index}`, `${what} is given twice`))
}

/** The indexes of the names that an earlier index has already. */
function repeatedIndexes(names: readonly string[]): number[] {
  const seen = new Set<string>()
  return names.flatMap((name, index) => {
    if (seen.has(name)) return [index]
    seen.add(name)
    return []
  })
}

function refusal(pointer: string, detail: string, code = 'field-invalid'): ContentRefusal {
  return { pointer, code, detail }
}
