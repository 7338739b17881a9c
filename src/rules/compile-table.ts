/** Content of an edition as functions, or every reason why it cannot be compiled, each with its place. */
import { equals } from '../exact/decimal.ts'
import { readUnit, type UnitCode, units } from '../exact/unit-codes.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import type { AttributeDefinition } from '../products/attributes.ts'
import { type ColumnRows, columnRows, ENDS_MAX, type RowBits, rowsInAll } from './column-rows.ts'
import type { CellRefusal } from './feel-grammar.ts'
import { type Column, type CompiledTest, compileTest } from './feel-tests.ts'
import { type Attributes, inputDefinition } from './inputs.ts'
import { compileOutputCell, type DemandCell, type Output, readOutput } from './output-column.ts'
import { compileOutputValues, placeAmong, policyRefusal } from './table-policy.ts'
import {
  type EditionContent,
  type HitPolicy,
  type Override,
  parameterNature,
  type Source,
  type Subject,
} from './words.ts'

/** Why an edition cannot be compiled. `pointer` starts at its content; `at` is an offset in a cell. */
export interface TableRefusal extends ContentRefusal {
  readonly at?: number
}

export interface CompiledInput {
  readonly attribute: string
  readonly column: Column
  /** The values that the column declares; a row matches no other. */
  readonly allowed: CompiledTest | undefined
  readonly rows: ColumnRows
}

export interface CompiledRow {
  readonly row: string
  /** Only what is demanded: a `-` leaves no cell. */
  readonly cells: readonly DemandCell[]
  readonly sources: readonly Source[]
  /** Whether a verified source says it of routine tests, so that it binds without further reason. */
  readonly verifiedRoutine: boolean
  /** Of each output column that lists its values, the place of the row's cell among them. */
  readonly places: readonly number[]
}

export interface CompiledTable {
  readonly table: string
  readonly edition: number
  readonly ruleSet: string
  readonly subject: Subject
  readonly hitPolicy: HitPolicy
  readonly overrides: readonly Override[]
  readonly appliesWhen: readonly { readonly attribute: string; readonly test: CompiledTest }[]
  readonly inputs: readonly CompiledInput[]
  readonly rows: readonly CompiledRow[]
}

/** Rows times columns: what one table costs to compile, however it is shaped. */
const CELLS_MAX = 5_000

/** Collects refusals; nothing is thrown one at a time. */
type Refuse = (pointer: string, code: string, detail: string, at?: number) => void

export function compileTable(
  content: EditionContent,
): { readonly table: CompiledTable } | { readonly refusals: readonly TableRefusal[] } {
  const cellCount = content.rows.length * (content.inputs.length + content.outputs.length)
  if (cellCount > CELLS_MAX) {
    const detail = `has ${cellCount} cells; a table has at most ${CELLS_MAX}, so make several of it`
    return { refusals: [{ pointer: '/rows', code: 'table-too-large', detail }] }
  }
  const refusals: TableRefusal[] = []
  const refuse: Refuse = (pointer, code, detail, at) =>
    refusals.push({ pointer, code, detail, ...(at !== undefined && { at }) })

  const columns = readColumns(content, refuse)
  const inputs = compileInputs(content, columns, refuse)
  const appliesWhen = compileAppliesWhen(content, columns, refuse)
  const rows = compileRows(content, columns, refuse)
  checkOverrides(content, refuse)
  if (refusals.length > 0) return { refusals }
  const { table, edition, ruleSet, subject, hitPolicy } = content
  return {
    table: {
      table,
      edition,
      ruleSet,
      subject,
      hitPolicy,
      overrides: content.overrides ?? [],
      appliesWhen,
      inputs,
      rows,
    },
  }
}

/** Whether the table speaks of this product and step. It needs an attribute only where no other test says no. */
export function applies(table: CompiledTable, attributes: Attributes): boolean | { readonly missing: string } {
  let missing: string | undefined
  for (const { attribute, test } of table.appliesWhen) {
    if (test.any) continue
    const value = attributes.get(attribute)
    if (value === undefined) missing ??= attribute
    else if (!test.test(value)) return false
  }
  return missing === undefined ? true : { missing }
}

/**
 * The rows that match, in the table's order; or the attribute that is missing, where whether a row matches depends on it.
 * A product that states less than the table has columns is matched all the same where its other attributes decide.
 */
export function matchRows(
  table: CompiledTable,
  attributes: Attributes,
): { readonly rows: readonly CompiledRow[] } | { readonly missing: string } {
  let missing: string | undefined
  const known: RowBits[] = []
  const unknown: RowBits[] = []
  for (const { attribute, rows } of table.inputs) {
    const value = attributes.get(attribute)
    if (value !== undefined) known.push(rows.rowsAt(value))
    else {
      missing ??= attribute
      unknown.push(rows.rowsAnyway)
    }
  }
  const matching: CompiledRow[] = []
  for (const { index, isCertain } of rowsInAll({ known, unknown }, table.rows.length)) {
    if (!isCertain) return { missing: missing ?? '' }
    const row = table.rows[index]
    if (row) matching.push(row)
  }
  return { rows: matching }
}

/** The first input whose value the column does not declare; it explains why no row matches. */
export function valueNotAllowed(table: CompiledTable, attributes: Attributes): string | undefined {
  return table.inputs.find(({ attribute, allowed }) => {
    const value = attributes.get(attribute)
    return value !== undefined && allowed && !allowed.test(value)
  })?.attribute
}

/** The types of the input columns, by position; undefined where a column was refused. */
interface Columns {
  readonly inOrder: readonly (Column | undefined)[]
  readonly byAttribute: ReadonlyMap<string, Column>
}

function readColumns(content: EditionContent, refuse: Refuse): Columns {
  const byAttribute = new Map<string, Column>()
  const inOrder = content.inputs.map((input, index) => {
    const pointer = `/inputs/${index}`
    if (byAttribute.has(input.attribute)) refuse(`${pointer}/attribute`, 'duplicate-input', 'is an input already')
    const definition = knownInput(input.attribute, content.subject, `${pointer}/attribute`, refuse)
    if (!definition) return undefined
    if (definition.type !== input.type) {
      refuse(`${pointer}/type`, 'input-type', `${input.attribute} is of type ${definition.type}`)
      return undefined
    }
    const column = columnOf(definition, input.unit, `${pointer}/unit`, refuse)
    if (column) byAttribute.set(input.attribute, column)
    return column
  })
  return { inOrder, byAttribute }
}

function knownInput(attribute: string, subject: Subject, pointer: string, refuse: Refuse) {
  const definition = inputDefinition(attribute, subject)
  if (definition === undefined) refuse(pointer, 'attribute-unknown', `'${attribute}' is no attribute`)
  else if (definition === 'elsewhere') refuse(pointer, 'attribute-unknown', `${subject} has no '${attribute}'`)
  else return definition
  return undefined
}

function columnOf(
  definition: AttributeDefinition,
  unit: string | null | undefined,
  pointer: string,
  refuse: Refuse,
): Column | undefined {
  const dimension = definition.type === 'number' ? definition.dimension : undefined
  if (dimension === undefined) {
    if (unit !== null && unit !== undefined && unit !== '1') {
      refuse(pointer, 'unit-unexpected', 'this attribute has no unit')
      return undefined
    }
    if (definition.type !== 'string') return { type: definition.type }
    return { type: 'string', words: definition.values }
  }
  const code = readUnitOf(dimension, unit, pointer, refuse)
  return code && { type: 'number', unit: code }
}

function readUnitOf(dimension: string, unit: unknown, pointer: string, refuse: Refuse): UnitCode | undefined {
  const code = readUnit(unit)
  if (typeof code === 'object') refuse(pointer, code.refused, `must be a unit of ${dimension}`)
  else if (units[code].dimension !== dimension) refuse(pointer, 'unit-dimension', `${code} is no unit of ${dimension}`)
  else return code
  return undefined
}

function compileInputs(content: EditionContent, columns: Columns, refuse: Refuse): CompiledInput[] {
  return content.inputs.flatMap((input, index) => {
    const column = columns.inOrder[index]
    if (!column) return []
    const allowed = compileAllowed(input.values, column, `/inputs/${index}/values`, refuse)
    const tests = content.rows.flatMap(({ when }, row) => {
      const cell = when[index]
      if (cell === undefined) return [] // Refused as a row of another length.
      const pointer = `/rows/${row}/when/${index}`
      const compiled = compileTest(cell, column)
      if ('refusals' in compiled) return refuseCell(compiled.refusals, pointer, refuse)
      const { words, spans } = compiled.compiled
      // A single value that the column does not declare is a slip of the pen: its row could never match.
      const points = spans.flatMap(({ lower, upper }) =>
        lower && upper && equals(lower.value, upper.value) ? [lower.value] : [],
      )
      for (const value of [...words, ...points]) {
        if (allowed && !allowed.test(value)) refuse(pointer, 'cell-value', "names a value outside the column's values")
      }
      return [compiled.compiled]
    })
    const rows = columnRows(tests, allowed)
    if (rows === 'too-many') {
      refuse(`/inputs/${index}`, 'table-too-large', `names more than ${ENDS_MAX} distinct values`)
      return []
    }
    return [{ attribute: input.attribute, column, allowed, rows }]
  })
}

function compileAllowed(values: string | null | undefined, column: Column, pointer: string, refuse: Refuse) {
  if (values === null || values === undefined) return undefined
  const compiled = compileTest(values, column)
  if ('compiled' in compiled) return compiled.compiled.any ? undefined : compiled.compiled
  refuseCell(compiled.refusals, pointer, refuse)
  return undefined
}

/** A test on a number needs a unit, so its attribute must also be an input column. */
function compileAppliesWhen(content: EditionContent, columns: Columns, refuse: Refuse): CompiledTable['appliesWhen'] {
  return Object.entries(content.appliesWhen ?? {}).flatMap(([attribute, cell]) => {
    if (cell === null || cell === undefined) return []
    const pointer = `/appliesWhen/${attribute}`
    const definition = knownInput(attribute, content.subject, pointer, refuse)
    if (!definition) return []
    const isMeasured = definition.type === 'number' && definition.dimension !== undefined
    const column =
      columns.byAttribute.get(attribute) ?? (isMeasured ? undefined : columnOf(definition, null, pointer, refuse))
    if (!column) {
      refuse(pointer, 'unit-missing', `${attribute} has a unit, so it must be an input column too`)
      return []
    }
    const compiled = compileTest(cell, column)
    if ('refusals' in compiled) return refuseCell(compiled.refusals, pointer, refuse)
    return [{ attribute, test: compiled.compiled }]
  })
}

function compileRows(content: EditionContent, columns: Columns, refuse: Refuse): CompiledRow[] {
  const outputs = readOutputs(content, refuse)
  const read = outputs.filter((one) => one !== undefined)
  const mistaken = read.length === outputs.length ? policyRefusal(content.hitPolicy, read) : undefined
  if (mistaken) refuse('/hitPolicy', mistaken.code, mistaken.detail)
  const sources = sourcesByRow(content, refuse)
  const names = new Set<string>()
  return content.rows.map(({ row, when, then }, index) => {
    const pointer = `/rows/${index}`
    if (names.has(row)) refuse(`${pointer}/row`, 'duplicate-row', `'${row}' is a row already`)
    names.add(row)
    checkLength(when, content.inputs.length, `${pointer}/when`, refuse)
    checkLength(then, content.outputs.length, `${pointer}/then`, refuse)
    const places: number[] = []
    const cells = then.flatMap((cell, position) => {
      const column = outputs[position]
      if (!column) return []
      const at = `${pointer}/then/${position}`
      const compiled = cell.trim() === '-' ? undefined : compileOutputCell(cell, column.output, columns.byAttribute)
      if (compiled && 'refusals' in compiled) return refuseCell(compiled.refusals, at, refuse)
      if (column.values) {
        const place = placeAmong(column.values, compiled?.compiled)
        if (typeof place === 'object') refuseCell([place], at, refuse)
        else places.push(place)
      }
      return compiled ? [compiled.compiled] : []
    })
    const said = sources.get(row) ?? []
    if (said.length === 0) refuse(pointer, 'row-without-source', `no source names the row '${row}'`)
    const verifiedRoutine = said.some(({ use, verification }) => use === 'routine' && verification === 'verified')
    return { row, cells, sources: said, verifiedRoutine, places }
  })
}

function checkLength(cells: readonly string[], expected: number, pointer: string, refuse: Refuse): void {
  if (cells.length !== expected) refuse(pointer, 'row-length', `has ${cells.length} cells for ${expected} columns`)
}

interface OutputColumn {
  readonly output: Output
  /** What the column lists; undefined where anything may stand in it. */
  readonly values: CompiledTest | undefined
}

function readOutputs(content: EditionContent, refuse: Refuse): (OutputColumn | undefined)[] {
  const seen = new Set<string>()
  return content.outputs.map((wire, index) => {
    const demanded = `${wire.parameter} ${wire.relation}`
    if (seen.has(demanded)) refuse(`/outputs/${index}`, 'duplicate-output', `'${demanded}' is an output already`)
    seen.add(demanded)
    const read = readOutput(wire, content.subject)
    if (!('output' in read)) {
      refuse(`/outputs/${index}/${read.member}`, read.code, read.detail)
      return undefined
    }
    const values = compileOutputValues(wire.values, read.output)
    if ('compiled' in values) return { output: read.output, values: values.compiled }
    refuseCell(values.refusals, `/outputs/${index}/values`, refuse)
    return undefined
  })
}

function sourcesByRow(content: EditionContent, refuse: Refuse): Map<string, Source[]> {
  const byRow = new Map<string, Source[]>(content.rows.map(({ row }) => [row, []]))
  for (const [index, source] of content.sources.entries()) {
    for (const [position, row] of source.rows.entries()) {
      const said = byRow.get(row)
      if (!said) refuse(`/sources/${index}/rows/${position}`, 'row-unknown', `'${row}' is no row of this table`)
      else if (!said.includes(source)) said.push(source)
    }
  }
  return byRow
}

function checkOverrides(content: EditionContent, refuse: Refuse): void {
  const seen = new Set<string>()
  for (const [index, { table, parameter }] of (content.overrides ?? []).entries()) {
    const pointer = `/overrides/${index}`
    if (table === content.table) refuse(`${pointer}/table`, 'override-of-itself', 'a table cannot override itself')
    // Two tables meet only about the same subject, so a parameter it does not have could never be overridden.
    if (parameterNature(parameter, content.subject) === undefined) {
      refuse(`${pointer}/parameter`, 'parameter-unknown', `${content.subject} has no ${parameter}`)
    }
    if (seen.has(`${table} ${parameter}`)) refuse(pointer, 'duplicate-override', 'is overridden already')
    seen.add(`${table} ${parameter}`)
  }
}

function refuseCell(cellRefusals: readonly CellRefusal[], pointer: string, refuse: Refuse): [] {
  for (const { code, at, detail } of cellRefusals) refuse(pointer, code, detail, at)
  return []
}
