import { decimal } from '../../../src/exact/decimal.ts'
import { readXml } from '../../../src/exact/xml.ts'
import { evaluateDecision } from '../../../src/rules/dmn/evaluate.ts'
import { type DmnModel, readModel } from '../../../src/rules/dmn/model.ts'
import { readAnyTemporal } from '../../../src/rules/feel/temporal.ts'
import { type FeelValue, isList, isNumber } from '../../../src/rules/feel/values.ts'

/** DMN models about Aldermoor Works, made for these tests; none is of the kit. */

interface TableParts {
  readonly policy?: string
  readonly aggregation?: string
  /** Expression, type and allowed values of each input. */
  readonly inputs: readonly (readonly [text: string, type?: string, values?: string | undefined])[]
  /** Name, allowed values and default of each output. */
  readonly outputs: readonly (readonly [name?: string | undefined, values?: string | undefined, fallback?: string])[]
  /** Cells of each rule, inputs first. */
  readonly rules: readonly (readonly string[])[]
}

const escaped = (text: string) => text.replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('"', '&quot;')

const optional = (name: string, text: string | undefined) =>
  text === undefined ? '' : `<${name}><text>${escaped(text)}</text></${name}>`

export function tableXml({ policy = 'UNIQUE', aggregation, inputs, outputs, rules }: TableParts): string {
  const heads = inputs.map(([text, type = 'Any', values]) => {
    return `<input><inputExpression typeRef="${type}"><text>${escaped(text)}</text></inputExpression>${optional('inputValues', values)}</input>`
  })
  const results = outputs.map(([name, values, fallback]) => {
    const given = name === undefined ? '' : ` name="${escaped(name)}"`
    return `<output${given}>${optional('outputValues', values)}${optional('defaultOutputEntry', fallback)}</output>`
  })
  const rows = rules.map((cells) => {
    const written = cells.map((cell, index) => optional(index < inputs.length ? 'inputEntry' : 'outputEntry', cell))
    return `<rule>${written.join('')}</rule>`
  })
  const aggregated = aggregation === undefined ? '' : ` aggregation="${aggregation}"`
  return `<decisionTable hitPolicy="${policy}"${aggregated}>${[...heads, ...results, ...rows].join('')}</decisionTable>`
}

export const literalXml = (text: string) => `<literalExpression><text>${escaped(text)}</text></literalExpression>`

interface DecisionParts {
  readonly type?: string
  readonly requires?: readonly string[]
  readonly calls?: readonly string[]
  readonly xml: string
}

interface ModelParts {
  readonly inputs?: Readonly<Record<string, string>>
  readonly decisions: Readonly<Record<string, DecisionParts>>
  /** XML of further elements: types, functions. */
  readonly more?: string
}

/** A model whose elements have their names as ids. */
export function modelXml({ inputs = {}, decisions, more = '' }: ModelParts): string {
  const given = Object.entries(inputs).map(([name, type]) => {
    return `<inputData id="${escaped(name)}" name="${escaped(name)}"><variable name="${escaped(name)}" typeRef="${type}"/></inputData>`
  })
  const made = Object.entries(decisions).map(([name, { type, requires = Object.keys(inputs), calls = [], xml }]) => {
    const typed = type === undefined ? '' : ` typeRef="${type}"`
    const needs = requires.map((id) => {
      const what = id in inputs ? 'requiredInput' : 'requiredDecision'
      return `<informationRequirement><${what} href="#${escaped(id)}"/></informationRequirement>`
    })
    const knows = calls.map(
      (id) => `<knowledgeRequirement><requiredKnowledge href="#${escaped(id)}"/></knowledgeRequirement>`,
    )
    return `<decision id="${escaped(name)}" name="${escaped(name)}"><variable name="${escaped(name)}"${typed}/>${needs.join('')}${knows.join('')}${xml}</decision>`
  })
  return `<definitions xmlns="https://www.omg.org/spec/DMN/20230324/MODEL/" name="aldermoor" namespace="urn:aldermoor">${more}${given.join('')}${made.join('')}</definitions>`
}

export function model(parts: ModelParts): DmnModel {
  const read = readXml(new TextEncoder().encode(modelXml(parts)))
  if (!read.ok) throw new Error(JSON.stringify(read.fault))
  const made = readModel(read.root)
  if ('fault' in made) throw new Error(JSON.stringify(made.fault))
  return made.model
}

/** Values as tests write them; text that begins with `@` is a date, a time or a length of time. */
export type Plain = null | boolean | number | string | readonly Plain[] | { readonly [name: string]: Plain }

export function feel(value: Plain): FeelValue {
  if (value === null || typeof value === 'boolean') return value
  if (typeof value === 'number') return decimal(`${value}`)
  if (typeof value === 'string') return value.startsWith('@') ? readAnyTemporal(value.slice(1)) : value
  if (Array.isArray(value)) return value.map((item: Plain) => feel(item))
  return { kind: 'context', entries: new Map(Object.entries(value).map(([name, inner]) => [name, feel(inner)])) }
}

export function plain(value: FeelValue): Plain {
  if (value === null || typeof value === 'boolean' || typeof value === 'string') return value
  if (isNumber(value)) return Number(value.coefficient) / 10 ** value.scale
  if (isList(value)) return value.map(plain)
  if ('entries' in value) return Object.fromEntries([...value.entries].map(([name, inner]) => [name, plain(inner)]))
  return value.kind
}

export function result(of: DmnModel, decision: string, inputs: Readonly<Record<string, Plain>> = {}): Plain {
  return plain(evaluated(of, decision, inputs).value)
}

export function evaluated(of: DmnModel, decision: string, inputs: Readonly<Record<string, Plain>> = {}) {
  const given = new Map(Object.entries(inputs).map(([name, value]) => [name, feel(value)]))
  const made = evaluateDecision(of, decision, given)
  if (!made) throw new Error(`there is no decision ${decision}`)
  return made
}
