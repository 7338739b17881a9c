/**
 * A DMN model as its XML says it (OMG DMN 1.5, chapter 13.2), with what decision tables need: inputs, types, decisions,
 * reusable functions, boxed expressions. Diagrams are left out. Elements are known by their local names, since each
 * version of the standard has a namespace of its own and tools write them with and without a prefix.
 */
import type { XmlElement } from '../../exact/xml.ts'
import type { HitPolicy } from '../words.ts'

/** What a model cannot be read by, and the line that says it. */
export interface ModelFault {
  readonly line: number
  readonly detail: string
}

export interface DmnModel {
  readonly name: string
  readonly inputs: readonly DmnVariable[]
  readonly types: ReadonlyMap<string, DmnType>
  readonly decisions: readonly DmnDecision[]
  readonly functions: readonly DmnDecision[]
}

export interface DmnVariable {
  readonly id: string
  readonly name: string
  readonly type: string | undefined
}

/** A decision, or a function that decisions call: `requires` are the ids of what it may name. */
export interface DmnDecision extends DmnVariable {
  readonly requires: readonly string[]
  readonly expression: DmnExpression | undefined
  readonly element: XmlElement
}

export interface DmnType {
  readonly base: string | undefined
  readonly isList: boolean
  /** Unary tests. */
  readonly values: string | undefined
  readonly members: ReadonlyMap<string, DmnType>
}

export type DmnExpression =
  | { readonly kind: 'literal'; readonly text: string }
  | { readonly kind: 'table'; readonly table: DmnTable }
  | { readonly kind: 'invocation'; readonly called: DmnExpression; readonly given: readonly Named[] }
  | { readonly kind: 'context'; readonly entries: readonly Named[] }
  | { readonly kind: 'list'; readonly items: readonly DmnExpression[] }
  | { readonly kind: 'relation'; readonly columns: readonly string[]; readonly rows: readonly DmnExpression[][] }
  | { readonly kind: 'function'; readonly parameters: readonly DmnVariable[]; readonly body: DmnExpression }

interface Named {
  /** Absent in the last entry of a context, which is its result. */
  readonly name: string | undefined
  readonly type: string | undefined
  readonly expression: DmnExpression
}

export interface DmnTable {
  readonly hitPolicy: HitPolicy
  readonly inputs: readonly DmnInput[]
  readonly outputs: readonly DmnOutput[]
  readonly rules: readonly DmnRule[]
}

export interface DmnInput {
  readonly text: string
  readonly type: string | undefined
  readonly values: string | undefined
  readonly element: XmlElement
}

export interface DmnOutput {
  readonly name: string | undefined
  readonly type: string | undefined
  readonly values: string | undefined
  readonly fallback: string | undefined
  readonly element: XmlElement
}

export interface DmnRule {
  readonly when: readonly string[]
  readonly then: readonly string[]
  readonly element: XmlElement
}

/** Stops the reading at the first fault; caught in this file only. */
class Refusal extends Error {
  readonly line: number
  constructor(line: number, detail: string) {
    super(detail)
    this.line = line
  }
}

export function readModel(root: XmlElement): { readonly model: DmnModel } | { readonly fault: ModelFault } {
  try {
    return { model: modelOf(root) }
  } catch (error) {
    if (error instanceof Refusal) return { fault: { line: error.line, detail: error.message } }
    throw error
  }
}

function modelOf(root: XmlElement): DmnModel {
  if (root.name !== 'definitions')
    throw new Refusal(root.line, 'The document is no DMN model: its root is no `definitions`.')
  return {
    name: root.attributes.get('name') ?? '',
    inputs: all(root, 'inputData').map(variableOf),
    types: new Map(all(root, 'itemDefinition').map((one) => [one.attributes.get('name') ?? '', typeOf(one)])),
    decisions: all(root, 'decision').map((one) => decisionOf(one, one)),
    functions: all(root, 'businessKnowledgeModel').map((one) => {
      const logic = first(one, 'encapsulatedLogic')
      return { ...decisionOf(one, undefined), expression: logic && functionOf(logic) }
    }),
  }
}

export function all(element: XmlElement, name: string): readonly XmlElement[] {
  return element.children.filter((child) => child.name === name)
}

export function first(element: XmlElement, name: string): XmlElement | undefined {
  return element.children.find((child) => child.name === name)
}

/** The text of `name`'s own `text` element. */
function textIn(element: XmlElement | undefined, name: string): string | undefined {
  const holder = element && first(element, name)
  return holder && (first(holder, 'text') ?? holder).text
}

/** The name of a type without the prefix of its namespace. */
function typeIn(text: string | undefined): string | undefined {
  return text?.trim().replace(/^(?:\{[^}]*\}|[A-Za-z_][\w.-]*:)/, '')
}

function variableOf(element: XmlElement): DmnVariable {
  const variable = first(element, 'variable')
  const name = element.attributes.get('name') ?? ''
  return {
    id: element.attributes.get('id') ?? name,
    name: variable?.attributes.get('name') ?? name,
    type: typeIn(variable?.attributes.get('typeRef') ?? element.attributes.get('typeRef')),
  }
}

function typeOf(element: XmlElement): DmnType {
  const members = all(element, 'itemComponent')
  return {
    base: typeIn(first(element, 'typeRef')?.text),
    isList: element.attributes.get('isCollection') === 'true',
    values: textIn(element, 'allowedValues'),
    members: new Map(members.map((one) => [one.attributes.get('name') ?? '', typeOf(one)])),
  }
}

const REQUIREMENTS: Readonly<Record<string, string>> = {
  requiredInput: 'informationRequirement',
  requiredDecision: 'informationRequirement',
  requiredKnowledge: 'knowledgeRequirement',
}

function decisionOf(element: XmlElement, holder: XmlElement | undefined): DmnDecision {
  const requires = Object.entries(REQUIREMENTS).flatMap(([what, within]) =>
    all(element, within).flatMap((one) => {
      const href = first(one, what)?.attributes.get('href')
      // A reference into another document, `namespace#id`, is not resolved here.
      return href === undefined ? [] : [href.startsWith('#') ? href.slice(1) : href]
    }),
  )
  return { ...variableOf(element), requires, expression: holder && expressionIn(holder), element }
}

/** The boxed expression among the children of an element; undefined where there is none. */
function expressionIn(element: XmlElement): DmnExpression | undefined {
  for (const child of element.children) {
    const read = expressionOf(child)
    if (read) return read
  }
  return undefined
}

function expressionOf(element: XmlElement): DmnExpression | undefined {
  switch (element.name) {
    case 'literalExpression':
      return { kind: 'literal', text: first(element, 'text')?.text ?? '' }
    case 'decisionTable':
      return { kind: 'table', table: tableOf(element) }
    case 'invocation': {
      const called = expressionIn(element)
      const given = all(element, 'binding').map((binding) => namedOf(binding, 'parameter'))
      return called && { kind: 'invocation', called, given }
    }
    case 'context':
      return { kind: 'context', entries: all(element, 'contextEntry').map((entry) => namedOf(entry, 'variable')) }
    case 'list':
      return { kind: 'list', items: element.children.flatMap((child) => expressionOf(child) ?? []) }
    case 'relation':
      return {
        kind: 'relation',
        columns: all(element, 'column').map((column) => column.attributes.get('name') ?? ''),
        rows: all(element, 'row').map((row) => row.children.flatMap((cell) => expressionOf(cell) ?? [])),
      }
    case 'functionDefinition':
      return functionOf(element)
    case 'conditional':
    case 'filter':
    case 'for':
    case 'some':
    case 'every':
      throw new Refusal(element.line, `The boxed expression \`${element.name}\` is not read.`)
    default:
      return undefined
  }
}

function namedOf(element: XmlElement, holder: 'parameter' | 'variable'): Named {
  const variable = first(element, holder)
  const expression = expressionIn(element)
  if (!expression) throw new Refusal(element.line, `\`${element.name}\` holds no expression.`)
  return { name: variable?.attributes.get('name'), type: typeIn(variable?.attributes.get('typeRef')), expression }
}

function functionOf(element: XmlElement): DmnExpression {
  const kind = element.attributes.get('kind') ?? 'FEEL'
  const body = expressionIn(element)
  if (kind !== 'FEEL' || !body) throw new Refusal(element.line, 'A function is read where its body is in FEEL.')
  return { kind: 'function', parameters: all(element, 'formalParameter').map(variableOf), body }
}

const HIT_POLICIES: Readonly<Record<string, HitPolicy>> = {
  UNIQUE: 'U',
  ANY: 'A',
  PRIORITY: 'P',
  FIRST: 'F',
  'RULE ORDER': 'R',
  'OUTPUT ORDER': 'O',
  COLLECT: 'C',
  'COLLECT SUM': 'C+',
  'COLLECT MIN': 'C<',
  'COLLECT MAX': 'C>',
  'COLLECT COUNT': 'C#',
}

/** How DMN writes a hit policy: its name and, of a collection, how it is aggregated. */
export function hitPolicyWords(policy: HitPolicy): { readonly hitPolicy: string; readonly aggregation?: string } {
  const [words = 'UNIQUE'] = Object.entries(HIT_POLICIES).find(([, letters]) => letters === policy) ?? []
  const [, aggregation] = /^COLLECT (.+)$/.exec(words) ?? []
  return aggregation === undefined ? { hitPolicy: words } : { hitPolicy: 'COLLECT', aggregation }
}

function hitPolicyOf(element: XmlElement): HitPolicy {
  const written = element.attributes.get('hitPolicy') ?? 'UNIQUE'
  const aggregation = written === 'COLLECT' ? element.attributes.get('aggregation') : undefined
  const words = aggregation === undefined ? written : `${written} ${aggregation}`
  const policy = Object.hasOwn(HIT_POLICIES, words) ? HIT_POLICIES[words] : undefined
  if (!policy) throw new Refusal(element.line, `'${words}' is no hit policy.`)
  return policy
}

function tableOf(element: XmlElement): DmnTable {
  const inputs = all(element, 'input').map((one) => {
    const expression = first(one, 'inputExpression')
    return {
      text: (expression && first(expression, 'text')?.text) ?? one.attributes.get('label') ?? '',
      type: typeIn(expression?.attributes.get('typeRef')),
      values: textIn(one, 'inputValues'),
      element: one,
    }
  })
  const outputs = all(element, 'output').map((one) => ({
    name: one.attributes.get('name'),
    type: typeIn(one.attributes.get('typeRef')),
    values: textIn(one, 'outputValues'),
    fallback: textIn(one, 'defaultOutputEntry'),
    element: one,
  }))
  const rules = all(element, 'rule').map((one) => {
    const cells = (name: string) => all(one, name).map((cell) => first(cell, 'text')?.text ?? '')
    const rule = { when: cells('inputEntry'), then: cells('outputEntry'), element: one }
    if (rule.when.length !== inputs.length || rule.then.length !== outputs.length) {
      const detail = `The rule has ${rule.when.length} and ${rule.then.length} cells for ${inputs.length} inputs and ${outputs.length} outputs.`
      throw new Refusal(one.line, detail)
    }
    return rule
  })
  if (outputs.length === 0) throw new Refusal(element.line, 'The decision table has no output.')
  return { hitPolicy: hitPolicyOf(element), inputs, outputs, rules }
}
