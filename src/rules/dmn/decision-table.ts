/**
 * A decision table as DMN has it, over values of FEEL. Columns whose cells are plain tests of numbers, words or truth
 * values are matched as those of a rule table, turned round; all other cells are asked one by one. What the hits come to
 * is said by the one function for hit policies.
 */
import { type ColumnRows, columnRows, emptyBits, type RowBits, rowsInAll, setBit } from '../column-rows.ts'
import {
  evaluateExpression,
  type FeelCode,
  nameIn,
  parseExpression,
  parseTests,
  passesTests,
  placeInTests,
  type Scope,
} from '../feel/evaluate.ts'
import { equal, type FeelValue, isNumber, kindOf } from '../feel/values.ts'
import type { Parsed } from '../feel-grammar.ts'
import { type CompiledTest, compileTest } from '../feel-tests.ts'
import { type HitReader, settleHits } from '../hit-policy.ts'
import type { DmnInput, DmnOutput, DmnTable, ModelFault } from './model.ts'

/** Names that cells may use; a name that leads on to others holds them as a record. */
export type Names = Readonly<Record<string, unknown>>

export interface DecisionTable {
  /** What the table says in this scope: null where no rule matches and nothing else is said, or its policy is broken. */
  readonly evaluate: (scope: Scope) => FeelValue
}

interface Column {
  readonly expression: FeelCode
  readonly allows: (value: FeelValue, scope: Scope) => boolean
  readonly cells: readonly FeelCode[]
  /** For values of this type; undefined where a cell is more than a plain test. */
  readonly turned: { readonly type: string; readonly rows: ColumnRows } | undefined
}

interface Hit {
  readonly outputs: readonly FeelValue[]
}

/** @param listed the output values that a column's type allows, where the column itself lists none */
export function compileDecisionTable(
  table: DmnTable,
  names: Names,
  listed: (output: DmnOutput, index: number) => string | undefined,
): { readonly compiled: DecisionTable } | { readonly faults: readonly ModelFault[] } {
  const faults: ModelFault[] = []
  const take = (parsed: Parsed<FeelCode>, line: number): FeelCode => {
    if ('tree' in parsed) return parsed.tree
    const { at, detail } = parsed.refused
    faults.push({ line, detail: `at character ${at + 1} of the cell: ${detail}` })
    return NOTHING
  }
  const { hitPolicy, inputs, outputs, rules } = table
  const columns = inputs.map((input, index): Column => {
    const { line } = input.element
    const cells = rules.map(({ when }) => (when[index] ?? '').trim() || '-')
    return {
      expression: take(parseExpression(input.text, names), line),
      allows: allowedBy(input.values, names),
      cells: cells.map((cell, row) => take(parseTests(cell, names), rules[row]?.element.line ?? line)),
      turned: turnedColumn(input, cells),
    }
  })
  const takeOutput = (text: string, line: number) =>
    /^\s*-?\s*$/.test(text) ? NOTHING : take(parseExpression(text, names), line)
  const results = rules.map(({ then, element }) => then.map((text) => takeOutput(text, element.line)))
  const values = outputs.map((output, index) => {
    const text = (output.values ?? listed(output, index) ?? '').trim()
    return text === '' || text === '-' ? undefined : take(parseTests(text, names), output.element.line)
  })
  const allows = outputs.map((output) => allowedBy(output.values, names))
  const hasFallback = outputs.some(({ fallback }) => fallback !== undefined)
  const fallbacks = outputs.map(({ fallback = '', element }) => takeOutput(fallback, element.line))
  if (faults.length > 0) return { faults }

  const evaluate = (scope: Scope): FeelValue => {
    const known = columns.map((column) => rowsOf(column, scope))
    const hits = rowsInAll({ known, unknown: [] }, rules.length).map(({ index }): Hit => {
      const row = (results[index] ?? []).map((code) => evaluateExpression(code, scope))
      return { outputs: row.map((value, column) => (allows[column]?.(value, scope) === true ? value : null)) }
    })
    // What several outputs would come to together is not defined (OMG DMN 1.5, section 8.2.8).
    if (/^C./.test(hitPolicy) && outputs.length > 1) return null
    const settled = settleHits(hitPolicy, hits, readerOf(values, scope))
    switch (settled.kind) {
      case 'one':
        return boxed(outputs, settled.hit.outputs)
      case 'list':
        return settled.hits.map((hit) => boxed(outputs, hit.outputs))
      case 'number':
        return settled.value
      case 'none':
        if (!hasFallback) return null
        return boxed(
          outputs,
          fallbacks.map((code) => evaluateExpression(code, scope)),
        )
      case 'broken':
        return null
    }
  }
  return { compiled: { evaluate } }
}

/** Whether a column allows a value; text that is no tests allows none. */
function allowedBy(text: string | undefined, names: Names): Column['allows'] {
  if (text === undefined || text.trim() === '') return () => true
  const parsed = parseTests(text, names)
  return 'tree' in parsed ? (value, scope) => passesTests(parsed.tree, value, scope) : () => false
}

/** The code of an empty cell, which is null. */
const NOTHING: FeelCode = { name: 'Expression', text: '', at: 0, children: [] }

function readerOf(values: readonly (FeelCode | undefined)[], scope: Scope): HitReader<Hit> {
  return {
    same: (a, b) => a.outputs.every((output, index) => equal(output, b.outputs[index] ?? null) === true),
    places: ({ outputs }) =>
      outputs.flatMap((output, index) => {
        const code = values[index]
        return code ? [placeInTests(code, output, scope)] : []
      }),
    number: ({ outputs: [output, ...others] }) => (isNumber(output) && others.length === 0 ? output : undefined),
  }
}

/** One output is the value itself; several are a context of their names. */
function boxed(outputs: readonly DmnOutput[], values: readonly FeelValue[]): FeelValue {
  const [only = null] = values
  if (outputs.length === 1) return only
  const entries = outputs.map(({ name = '' }, index): [string, FeelValue] => [nameIn(name), values[index] ?? null])
  return { kind: 'context', entries: new Map(entries) }
}

/** The column turned round, where every cell is a plain test of its type. */
function turnedColumn({ type }: DmnInput, cells: readonly string[]): Column['turned'] {
  if (type !== 'number' && type !== 'string' && type !== 'boolean') return undefined
  const tests: CompiledTest[] = []
  for (const cell of cells) {
    const compiled = compileTest(cell, { type })
    if ('refusals' in compiled) return undefined
    tests.push(compiled.compiled)
  }
  const rows = columnRows(tests, undefined)
  return rows === 'too-many' ? undefined : { type, rows }
}

function rowsOf({ expression, allows, cells, turned }: Column, scope: Scope): RowBits {
  const given = evaluateExpression(expression, scope)
  // A value that the column does not allow counts as none (OMG DMN 1.5, section 8.3.3; the public kit tests it).
  const value = allows(given, scope) ? given : null
  if (turned && kindOf(value) === turned.type) return turned.rows.rowsAt(value as never)
  const bits = emptyBits(cells.length)
  for (const [row, cell] of cells.entries()) if (passesTests(cell, value, scope)) setBit(bits, row)
  return bits
}
