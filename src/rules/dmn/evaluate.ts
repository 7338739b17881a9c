/** Decisions of a DMN model over given inputs: each with the results of those that it requires (OMG DMN 1.5, 10.4). */
import { evaluateExpression, nameIn, parseExpression, type Scope } from '../feel/evaluate.ts'
import { type FeelFunction, type FeelValue, kindOf } from '../feel/values.ts'
import { compileDecisionTable, type Names } from './decision-table.ts'
import type { DmnDecision, DmnExpression, DmnModel, DmnOutput, DmnType, ModelFault } from './model.ts'
import { typedValue } from './types.ts'

export interface Evaluated {
  readonly value: FeelValue
  /** Why parts of the model could not be computed. */
  readonly faults: readonly ModelFault[]
}

/** The result of the decision of that name; undefined where the model has none. */
export function evaluateDecision(model: DmnModel, name: string, inputs: Scope): Evaluated | undefined {
  const decision = model.decisions.find((one) => nameIn(one.name) === nameIn(name))
  if (!decision) return undefined
  const evaluation = new Evaluation(model, inputs)
  return { value: evaluation.resultOf(decision), faults: evaluation.faults }
}

/** Of all functions together: one that calls itself without an end must not run for ever, nor too deep. */
const CALLS_MAX = 1_000

/** One run over a model; results are kept, since several decisions may require the same one. */
class Evaluation {
  readonly faults: ModelFault[] = []
  private readonly model: DmnModel
  private readonly inputs: Scope
  private readonly results = new Map<DmnDecision, FeelValue>()
  private readonly underWay = new Set<DmnDecision>()
  private calls = 0

  constructor(model: DmnModel, inputs: Scope) {
    this.model = model
    this.inputs = inputs
  }

  resultOf(decision: DmnDecision): FeelValue {
    const known = this.results.get(decision)
    if (known !== undefined) return known
    const { line } = decision.element
    if (this.underWay.has(decision)) return this.fail(line, `'${decision.name}' requires itself`)
    if (!decision.expression) return this.fail(line, `'${decision.name}' has no expression that is read`)
    this.underWay.add(decision)
    const { scope, names } = this.surroundings(decision)
    const isFunction = this.model.functions.includes(decision)
    // A function may call itself: its name is there before it is.
    if (isFunction) Object.assign(names, { [nameIn(decision.name)]: null })
    const made = this.valueOf(decision.expression, { scope, names, type: decision.type, line })
    const value =
      kindOf(made) === 'function'
        ? this.answering(made as FeelFunction, decision.type)
        : this.typed(made, decision.type)
    if (isFunction) scope.set(nameIn(decision.name), value)
    this.underWay.delete(decision)
    this.results.set(decision, value)
    return value
  }

  /** A function with the type of its answers. Models often name a built-in type that is none of its answers' own. */
  private answering(made: FeelFunction, type: string | undefined): FeelFunction {
    if (type === undefined || !this.model.types.has(type)) return made
    return { ...made, call: (given) => this.typed(made.call(given), type) }
  }

  private typed(value: FeelValue, type: string | undefined): FeelValue {
    return typedValue(this.model.types, value, type)
  }

  private fail(line: number, detail: string): null {
    this.faults.push({ line, detail })
    return null
  }

  /** What a decision may name: the inputs, decisions and functions that it requires. */
  private surroundings({ requires, element }: DmnDecision): { scope: Map<string, FeelValue>; names: Names } {
    const { inputs, decisions, functions } = this.model
    const scope = new Map<string, FeelValue>()
    const names: Record<string, unknown> = {}
    for (const id of requires) {
      const input = inputs.find((one) => one.id === id)
      const decision = decisions.find((one) => one.id === id)
      const called = functions.find((one) => one.id === id)
      const computed = decision ?? called
      if (input) {
        names[nameIn(input.name)] = this.shape(input.type)
        scope.set(nameIn(input.name), this.typed(this.inputs.get(nameIn(input.name)) ?? null, input.type))
      } else if (computed) {
        names[nameIn(computed.name)] = this.shape(computed.type)
        scope.set(nameIn(computed.name), this.resultOf(computed))
      } else this.fail(element.line, `requires '${id}', which is not in the model`)
    }
    return { scope, names }
  }

  /** Names below a name of this type, for the grammar. */
  private shape(type: string | undefined): unknown {
    const definition = type === undefined ? undefined : this.model.types.get(type)
    return definition ? this.shapeOf(definition) : null
  }

  private shapeOf({ base, members }: DmnType): unknown {
    if (members.size === 0) return base !== undefined && this.model.types.has(base) ? this.shape(base) : null
    return Object.fromEntries([...members].map(([name, member]) => [name, this.shapeOf(member)]))
  }

  private valueOf(expression: DmnExpression, at: At): FeelValue {
    switch (expression.kind) {
      case 'literal': {
        const parsed = parseExpression(expression.text, at.names)
        if ('tree' in parsed) return evaluateExpression(parsed.tree, at.scope)
        return this.fail(at.line, `at character ${parsed.refused.at + 1}: ${parsed.refused.detail}`)
      }
      case 'table': {
        const listed = (output: DmnOutput, index: number) => this.valuesOf(output, at.type, index)
        const made = compileDecisionTable(expression.table, at.names, listed)
        if ('compiled' in made) return made.compiled.evaluate(at.scope)
        this.faults.push(...made.faults)
        return null
      }
      case 'list':
        return expression.items.map((item) => this.valueOf(item, at))
      case 'relation':
        return expression.rows.map((row) => {
          const cells = expression.columns.map((column, index): [string, FeelValue] => {
            const cell = row[index]
            return [nameIn(column), cell ? this.valueOf(cell, at) : null]
          })
          return { kind: 'context', entries: new Map(cells) }
        })
      case 'context':
        return this.contextOf(expression, at)
      case 'function':
        return this.functionOf(expression, at)
      case 'invocation': {
        const called = this.valueOf(expression.called, at)
        if (kindOf(called) !== 'function') return this.fail(at.line, 'calls what is no function')
        const given = new Map(
          expression.given.map(({ name = '', expression: inner }) => [nameIn(name), this.valueOf(inner, at)]),
        )
        const { parameters, call } = called as FeelFunction
        return call(parameters ? parameters.map((name) => given.get(name) ?? null) : [...given.values()])
      }
    }
  }

  private contextOf({ entries }: DmnExpression & { kind: 'context' }, at: At): FeelValue {
    const scope = new Map(at.scope)
    const names = { ...at.names }
    const members = new Map<string, FeelValue>()
    for (const { name, type, expression } of entries) {
      const value = this.typed(this.valueOf(expression, { ...at, scope, names, type }), type)
      if (name === undefined) return value
      scope.set(nameIn(name), value)
      names[nameIn(name)] = this.shape(type)
      members.set(nameIn(name), value)
    }
    return { kind: 'context', entries: members }
  }

  private functionOf({ parameters, body }: DmnExpression & { kind: 'function' }, at: At): FeelFunction {
    const names = { ...at.names }
    for (const { name, type } of parameters) names[nameIn(name)] = this.shape(type)
    const call = (given: readonly FeelValue[]): FeelValue => {
      this.calls += 1
      if (this.calls > CALLS_MAX) return this.fail(at.line, `calls functions more than ${CALLS_MAX} times`)
      const scope = new Map(at.scope)
      for (const [index, { name, type }] of parameters.entries()) {
        scope.set(nameIn(name), this.typed(given[index] ?? null, type))
      }
      return this.valueOf(body, { ...at, scope, names })
    }
    return { kind: 'function', parameters: parameters.map(({ name }) => nameIn(name)), call }
  }

  /** What an output may be by the type of its decision: the type itself lists it, or its member of that name. */
  private valuesOf({ name, type }: DmnOutput, decisionType: string | undefined, index: number): string | undefined {
    const { types } = this.model
    const own = type === undefined ? undefined : types.get(type)?.values
    const whole = decisionType === undefined ? undefined : types.get(decisionType)
    if (own !== undefined || !whole) return own
    return name === undefined && index === 0 ? whole.values : whole.members.get(name ?? '')?.values
  }
}

interface At {
  readonly scope: Scope
  readonly names: Names
  readonly type: string | undefined
  readonly line: number
}
