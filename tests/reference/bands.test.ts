import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { compiledContent, requirementOf, seedContents, seedTable, vectorsIn, type WrittenAttributes } from './seeds.ts'

/** Bands of one input column as the published text draws them; `open`: the text leaves the end out. */
interface Bands {
  readonly table: string
  readonly attributes: WrittenAttributes
  readonly attribute: string
  readonly unit: string
  readonly bands: readonly {
    readonly row: string
    readonly lower?: { readonly value: string; readonly open: boolean }
    readonly upper?: { readonly value: string; readonly open: boolean }
  }[]
}

const SCALE = 1_000_000n

/** A number as millionths, so that the bands are worked out here without the service's own decimals. */
function millionths(text: string): bigint {
  const [whole = '0', fraction = ''] = text.split('.')
  return BigInt(whole) * SCALE + BigInt(fraction.padEnd(6, '0'))
}

function written(value: bigint): string {
  return `${value / SCALE}.${String(value % SCALE).padStart(6, '0')}`
}

function bandOf({ bands }: Bands, value: bigint): string {
  const row = bands.find(({ lower, upper }) => {
    if (lower && (value < millionths(lower.value) || (lower.open && value === millionths(lower.value)))) return false
    return !(upper && (value > millionths(upper.value) || (upper.open && value === millionths(upper.value))))
  })
  return row?.row ?? 'rule-gap'
}

function matched({ table, attributes, attribute, unit }: Bands, value: bigint): string {
  const requirement = requirementOf(seedTable(table), { ...attributes, [attribute]: { value: written(value), unit } })
  if (requirement?.kind === 'alternatives') return requirement.rows.map(({ row }) => row.row).join(', ')
  return requirement?.code ?? 'silent'
}

const banded = vectorsIn<Bands[]>('bands')

describe('bands', () => {
  test.each(banded.map((bands) => [`${bands.table} by ${bands.attribute}`, bands] as const))('%s', (_, bands) => {
    const ends = bands.bands.flatMap(({ lower, upper }) => [lower, upper].flatMap((end) => (end ? [end.value] : [])))
    // On each end, a millionth to either side, and anywhere.
    const close = ends
      .flatMap((end) => [-1n, 0n, 1n].map((apart) => millionths(end) + apart))
      .filter((value) => value >= 0n)
    for (const value of close)
      expect([written(value), matched(bands, value)]).toEqual([written(value), bandOf(bands, value)])
    fc.assert(
      fc.property(fc.bigInt({ min: 0n, max: 20_000n * SCALE }), (value) => {
        expect(matched(bands, value)).toBe(bandOf(bands, value))
      }),
      { numRuns: 50 },
    )
  })
})

// A table of hit policy U may match one row at most, whatever the product: two would block every plan for it.
describe('hit policy U', () => {
  const unique = [...seedContents.values()].filter(({ hitPolicy, inputs }) => hitPolicy === 'U' && inputs.length > 0)
  const words: Readonly<Record<string, readonly string[]>> = {
    insulation: ['functional', 'basic', 'supplementary', 'double', 'reinforced'],
    protectionClass: ['0', '0I', 'I', 'II', 'III'],
    mobility: ['hand-held', 'portable', 'stationary', 'fixed'],
    loadKind: ['heating', 'motor-operated', 'combined'],
    detector: ['rms', 'peak', 'dc'],
    network: ['resistor-1500-ohm', 'iec-60990-figure-4'],
    family: ['insulating-gloves', 'insulating-matting', 'insulating-blankets', 'example-of-a-part-2', 'other'],
    variant: ['280-mm', '360-mm', '410-mm', '460-mm'],
  }

  test.each(unique.map((content) => [content.table, content] as const))('%s never matches two rows', (_, content) => {
    const table = compiledContent(content)
    const numbers = content.rows.flatMap(({ when }) => when.flatMap((cell) => cell.match(/\d+(\.\d+)?/g) ?? []))
    const near = fc
      .constantFrom('0', '1000000', ...numbers)
      .chain((value) => fc.constantFrom(-1n, 0n, 1n).map((apart) => millionths(value) + apart))
      .map((value) => written(value < 0n ? 0n : value))
    const asked = new Set([
      ...Object.keys(content.appliesWhen ?? {}),
      ...content.inputs.map(({ attribute }) => attribute),
    ])
    const product = fc.record(
      Object.fromEntries(
        [...asked].map((name) => {
          const unit = content.inputs.find(({ attribute }) => attribute === name)?.unit
          return [name, unit ? near.map((value) => ({ value, unit })) : fc.constantFrom(...(words[name] ?? []))]
        }),
      ),
    )
    fc.assert(
      fc.property(product, (attributes) => {
        const requirement = requirementOf(table, attributes)
        expect(requirement?.kind === 'unresolved' ? requirement.code : 'rule-gap').toBe('rule-gap')
      }),
      { numRuns: 100 },
    )
  })
})
