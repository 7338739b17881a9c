/** The sample rule tables as they lie in the seed folder, compiled, and what their rows demand. */
import { readdirSync, readFileSync } from 'node:fs'
import type { Decimal } from '../../src/exact/decimal.ts'
import { readQuantity } from '../../src/exact/quantity.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import { type CompiledTable, compileTable } from '../../src/rules/compile-table.ts'
import type { Demand } from '../../src/rules/demand.ts'
import { type Requirement, requirementsFor } from '../../src/rules/requirements.ts'
import { type EditionContent, EditionDraftWire } from '../../src/rules/words.ts'

const folder = new URL('../../seed/rule-tables/', import.meta.url)

export const seedFiles = readdirSync(folder).filter((name) => name.endsWith('.json'))

/** The content in one seed file. Only the lack of a reason for change may be left to a first edition. */
export function seedContent(file: string): EditionContent {
  return EditionDraftWire.parse(JSON.parse(readFileSync(new URL(file, folder), 'utf8'))).content
}

export const seedContents: ReadonlyMap<string, EditionContent> = new Map(
  seedFiles.map((file) => [file.replace(/\.json$/, ''), seedContent(file)]),
)

export function compiledContent(content: EditionContent): CompiledTable {
  const made = compileTable(content)
  if ('refusals' in made) throw new Error(`${content.table}: ${JSON.stringify(made.refusals)}`)
  return made.table
}

const compiledSeeds = new Map<string, CompiledTable>()

export function seedTable(key: string): CompiledTable {
  const kept = compiledSeeds.get(key)
  if (kept) return kept
  const content = seedContents.get(key)
  if (!content) throw new Error(`no seed table '${key}'`)
  const table = compiledContent(content)
  compiledSeeds.set(key, table)
  return table
}

/** A vector's file of JSON; the caller says what it holds. */
export function vectorsIn<Vectors>(name: string): Vectors {
  return JSON.parse(readFileSync(new URL(`vectors/${name}.json`, import.meta.url), 'utf8'))
}

export interface WrittenQuantity {
  readonly value: string
  readonly unit: string
}

export type WrittenAttributes = Readonly<Record<string, string | WrittenQuantity>>

/** The canonical value of digits in a unit. */
export function canonicalOf({ value, unit }: WrittenQuantity): Decimal {
  const read = readQuantity({ value, unit })
  if (!('quantity' in read)) throw new Error(`'${value} ${unit}' is no quantity`)
  return read.quantity.value
}

export function attributesOf(written: WrittenAttributes): Map<string, AttributeValue> {
  return new Map(
    Object.entries(written).map(([name, value]) => [name, typeof value === 'string' ? value : canonicalOf(value)]),
  )
}

/** What one table demands of a product and step with these attributes; undefined where it is silent. */
export function requirementOf(table: CompiledTable, attributes: WrittenAttributes): Requirement | undefined {
  const [requirement] = requirementsFor([{ table }], {
    subject: table.subject,
    ruleSets: new Set([table.ruleSet]),
    attributes: attributesOf(attributes),
  })
  return requirement
}

/** The demands of the named row, or of the only one that matches. Throws where the row is not among those that match. */
export function demandsOf(key: string, attributes: WrittenAttributes, row?: string): readonly Demand[] {
  const requirement = requirementOf(seedTable(key), attributes)
  if (requirement?.kind !== 'alternatives') throw new Error(`${key}: ${requirement?.code ?? 'silent'}`)
  const { rows } = requirement
  const chosen = row === undefined && rows.length === 1 ? rows[0] : rows.find((one) => one.row.row === row)
  if (!chosen) throw new Error(`${key}: matches ${rows.map((one) => one.row.row).join(', ')}, not ${row ?? 'one row'}`)
  return chosen.demands
}

/** The one demand of a parameter that is a number. */
export function numberDemanded(demands: readonly Demand[], parameter: string): Demand & { kind: 'number' } {
  const found = demands.filter((demand) => demand.parameter === parameter)
  const [demand] = found
  if (found.length !== 1 || demand?.kind !== 'number') throw new Error(`no single number for ${parameter}`)
  return demand
}
