/**
 * Hit policies where rows are demands: which of them a rule table may have, and the order that its output columns list.
 * The evaluator of `hit-policy.ts` knows them all; a sum or a count of demands is no row's demand, and so no document's.
 */
import type { CellRefusal } from './feel-grammar.ts'
import { type Column, type Compiled, type CompiledTest, compileTest, holdsIn } from './feel-tests.ts'
import type { DemandCell, Output } from './output-column.ts'
import type { HitPolicy } from './words.ts'

/** Why a table with these output columns cannot have the policy. */
export function policyRefusal(
  policy: HitPolicy,
  outputs: readonly { readonly output: Output; readonly values: CompiledTest | undefined }[],
): { readonly code: string; readonly detail: string } | undefined {
  switch (policy) {
    case 'C+':
    case 'C#': {
      const what = policy === 'C+' ? 'a sum' : 'a count'
      const detail = `${policy} makes ${what} of rows, which no row demands and no source says; use C> or C<, or write the number into a row`
      return { code: 'hit-policy-meaningless', detail }
    }
    case 'P':
    case 'O':
      if (outputs.some(({ values }) => values)) return undefined
      return { code: 'hit-policy', detail: `under ${policy} an output must list its values in falling priority` }
    case 'C<':
    case 'C>':
      if (outputs.length === 1 && outputs[0]?.output.nature === 'number') return undefined
      return { code: 'hit-policy', detail: `under ${policy} there is one output, which demands a number` }
    default:
      return undefined
  }
}

/** Compiles the `values` of an output column; undefined where it lists none. */
export function compileOutputValues(
  text: string | null | undefined,
  output: Output,
): Compiled<CompiledTest | undefined> {
  if (text === null || text === undefined) return { compiled: undefined }
  const column: Column | undefined =
    output.nature === 'number'
      ? { type: 'number', unit: output.unit }
      : output.nature === 'flag'
        ? { type: 'boolean' }
        : undefined
  if (!column) return refused('cell-unsupported', `${output.parameter} here is no single value, so lists none`)
  const compiled = compileTest(text, column)
  if ('refusals' in compiled) return compiled
  if (compiled.compiled.any || compiled.compiled.negated) {
    return refused('cell-unsupported', 'must list what may stand in the column, without - and not(...)')
  }
  return compiled
}

function refused(code: CellRefusal['code'], detail: string): { readonly refusals: readonly CellRefusal[] } {
  return { refusals: [{ code, at: 0, detail }] }
}

/** The place of a cell among the values that its column lists, from 0; why it has none. No cell has the last place. */
export function placeAmong(values: CompiledTest, cell: DemandCell | undefined): number | CellRefusal {
  const listed = values.spans.length + values.words.length
  if (!cell) return listed
  const demand = cell.constant
  if (!demand) {
    return { code: 'cell-unsupported', at: 0, detail: 'the column lists its values, so a formula cannot stand in it' }
  }
  let place = -1
  if (demand.kind === 'number') place = values.spans.findIndex((span) => holdsIn(demand.value, span))
  else if (demand.kind === 'flag') place = values.words.indexOf(demand.flag)
  return place >= 0 ? place : { code: 'cell-value', at: 0, detail: "is not among the column's values" }
}
