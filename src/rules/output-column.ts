/** What an output column may demand, and its cells as demands. */
import { readUnit, type UnitCode, units } from '../exact/unit-codes.ts'
import type { Demand } from './demand.ts'
import { type CompiledFormula, compileFormula, compileRange } from './feel-compile.ts'
import { type Column, type Compiled, compileFlag, compileKinds, isEmpty } from './feel-tests.ts'
import type { Attributes } from './inputs.ts'
import { type EditionContent, type Parameter, parameterNature, type RuleRelation, type Subject } from './words.ts'

export type Output =
  | {
      readonly nature: 'number'
      readonly parameter: Parameter
      readonly relation: '>=' | '<=' | '='
      readonly unit: UnitCode
    }
  | { readonly nature: 'range'; readonly parameter: Parameter; readonly unit: UnitCode }
  | { readonly nature: 'flag'; readonly parameter: Parameter }
  | { readonly nature: 'kinds'; readonly parameter: Parameter }

export type Resolved =
  | { readonly demand: Demand }
  | { readonly missing: string }
  | { readonly uncomputable: 'division-by-zero' | 'range-empty' }

/** One output cell of a row. */
export interface DemandCell {
  readonly parameter: Parameter
  /** The demand where it is the same for every product. */
  readonly constant?: Demand
  /** The demand for a product with these attributes. */
  readonly resolve: (attributes: Attributes) => Resolved
}

/** Reads the head of an output column; `member` is what was wrong in it. */
export function readOutput(
  wire: EditionContent['outputs'][number],
  subject: Subject,
): { readonly output: Output } | { readonly member: string; readonly code: string; readonly detail: string } {
  const { parameter, relation } = wire
  const nature = parameterNature(parameter, subject)
  if (nature === undefined) {
    return { member: 'parameter', code: 'parameter-unknown', detail: `${subject} has no ${parameter}` }
  }
  if (nature === 'flag' || nature === 'kinds') {
    const only: RuleRelation = nature === 'flag' ? '=' : 'in'
    if (relation !== only) return { member: 'relation', code: 'relation', detail: `${parameter} takes only '${only}'` }
    if (wire.unit !== null && wire.unit !== undefined) {
      return { member: 'unit', code: 'unit-unexpected', detail: `${parameter} has no unit` }
    }
    return { output: { nature, parameter } }
  }
  const unit = readUnit(wire.unit)
  if (typeof unit === 'object') {
    return { member: 'unit', code: unit.refused, detail: `must be a unit of ${nature.dimension}` }
  }
  if (units[unit].dimension !== nature.dimension) {
    return { member: 'unit', code: 'unit-dimension', detail: `${unit} is no unit of ${nature.dimension}` }
  }
  if (relation === 'in') return { output: { nature: 'range', parameter, unit } }
  return { output: { nature: 'number', parameter, relation, unit } }
}

export function compileOutputCell(
  cell: string,
  output: Output,
  inputs: ReadonlyMap<string, Column>,
): Compiled<DemandCell> {
  const { parameter } = output
  switch (output.nature) {
    case 'flag': {
      const compiled = compileFlag(cell)
      if ('refusals' in compiled) return compiled
      return { compiled: settled({ kind: 'flag', parameter, relation: '=', flag: compiled.compiled }) }
    }
    case 'kinds': {
      const compiled = compileKinds(cell)
      if ('refusals' in compiled) return compiled
      return { compiled: settled({ kind: 'kinds', parameter, relation: 'in', kinds: compiled.compiled }) }
    }
    case 'number': {
      const compiled = compileFormula(cell, { unit: output.unit, inputs })
      return 'refusals' in compiled ? compiled : { compiled: numberCell(output, compiled.compiled) }
    }
    case 'range':
      return compileRangeCell(cell, output, inputs)
  }
}

/** A cell whose demand is the same for every product. */
function settled(demand: Demand): DemandCell {
  const resolved: Resolved = { demand }
  return { parameter: demand.parameter, constant: demand, resolve: () => resolved }
}

function numberCell(
  { parameter, relation, unit }: Output & { nature: 'number' },
  formula: CompiledFormula,
): DemandCell {
  if (formula.constant) return settled({ kind: 'number', parameter, relation, unit, value: formula.constant })
  const resolve = (attributes: Attributes): Resolved => {
    const computed = formula.compute(attributes)
    if (!('value' in computed)) return computed
    return { demand: { kind: 'number', parameter, relation, unit, value: computed.value } }
  }
  return { parameter, resolve }
}

function compileRangeCell(
  cell: string,
  { parameter, unit }: Output & { nature: 'range' },
  inputs: ReadonlyMap<string, Column>,
): Compiled<DemandCell> {
  const compiled = compileRange(cell, { unit, inputs })
  if ('refusals' in compiled) return compiled
  const { lower, upper } = compiled.compiled
  const resolve = (attributes: Attributes): Resolved => {
    const from = lower.value.compute(attributes)
    if (!('value' in from)) return from
    const to = upper.value.compute(attributes)
    if (!('value' in to)) return to
    const ends = { lower: { value: from.value, open: lower.open }, upper: { value: to.value, open: upper.open } }
    if (isEmpty(ends.lower, ends.upper)) return { uncomputable: 'range-empty' }
    return { demand: { kind: 'range', parameter, relation: 'in', unit, ...ends } }
  }
  return { compiled: { parameter, resolve } }
}
