import {
  type DocumentNode,
  type FieldNode,
  type FragmentDefinitionNode,
  type GraphQLCompositeType,
  type GraphQLField,
  type GraphQLSchema,
  getNamedType,
  isCompositeType,
  isInterfaceType,
  isListType,
  isNonNullType,
  isObjectType,
  Kind,
  type OperationDefinitionNode,
  parse,
  SchemaMetaFieldDef,
  type SelectionSetNode,
  TypeMetaFieldDef,
} from 'graphql'
import { Problem } from '../../problems.ts'
import { LIMIT_DEFAULT, LIMIT_MAX } from '../conventions.ts'

/**
 * What one query may ask for. Counted before it runs, with its variables, on a document that was found valid, so that
 * fragments have no cycles; each fragment is counted once, whatever its use, so counting is linear in the document.
 */
export const limits = {
  /** Tokens of the document; bounds what parsing and validating cost. */
  tokens: 2_000,
  /** Fields inside each other; `edges` and `node` only wrap what a connection leads to, and are not counted. */
  depth: 10,
  /** The same for `__schema` and `__type`, where the questions of common tools go deeper. */
  depthOfIntrospection: 16,
  /** Fields under another name. The same field under the same name is answered once anyhow. */
  aliases: 30,
  /** One point for each field of each item, and what a field costs besides. */
  cost: 50_000,
} as const

/** What a field costs where it is not the usual. */
export interface FieldCost {
  /** Points for asking, besides the one that every field costs. */
  readonly cost?: number
  /** How many items its list is taken to have; of a connection it is what `first` says. */
  readonly size?: number
}

/** Items that a list is taken to have whose field says nothing else. */
const LIST_SIZE = 10

/**
 * The document, where its text is one of at most so many tokens.
 * @throws GraphQLError with the place of the first that does not fit
 */
export function parseQuery(source: string): DocumentNode {
  return parse(source, { maxTokens: limits.tokens })
}

export interface QuerySize {
  readonly depth: number
  readonly cost: number
  readonly aliases: number
}

/**
 * Holds an operation to the limits.
 * @throws Problem `query-too-large`, which says what is above which limit and how to ask for less
 */
export function requireWithinLimits(
  schema: GraphQLSchema,
  document: DocumentNode,
  variables: Readonly<Record<string, unknown>> | undefined,
  operationName: string | undefined,
): QuerySize {
  const aliases = countAliases(document)
  if (aliases > limits.aliases) {
    throw tooLarge(`It names ${aliases} fields anew, and ${limits.aliases} may be. Ask in several queries.`)
  }
  const size = measure(schema, document, variables ?? {}, operationName)
  if (size.excess > 0) {
    const { depth, depthOfIntrospection } = limits
    throw tooLarge(`Its fields lie ${size.depth} deep, and ${depth} may be (${depthOfIntrospection} of __schema).`)
  }
  if (size.cost > limits.cost) {
    throw tooLarge(
      `It costs ${size.cost} points, and ${limits.cost} may be. Ask for smaller pages (first) or fewer fields.`,
    )
  }
  return { depth: size.depth, cost: size.cost, aliases }
}

function tooLarge(detail: string): Problem {
  return new Problem('query-too-large', { detail })
}

function countAliases(document: DocumentNode): number {
  let count = 0
  const waiting: SelectionSetNode[] = document.definitions.flatMap((one) =>
    'selectionSet' in one ? [one.selectionSet] : [],
  )
  for (let set = waiting.pop(); set !== undefined; set = waiting.pop()) {
    for (const selection of set.selections) {
      if (selection.kind === Kind.FIELD && selection.alias !== undefined) count += 1
      if ('selectionSet' in selection && selection.selectionSet !== undefined) waiting.push(selection.selectionSet)
    }
  }
  return count
}

/** How deep a selection goes and what it costs; `excess` is by how much a field lies too deep. */
interface Measured {
  readonly depth: number
  readonly cost: number
  readonly excess: number
}

const NOTHING: Measured = { depth: 0, cost: 0, excess: 0 }

function measure(
  schema: GraphQLSchema,
  document: DocumentNode,
  variables: Readonly<Record<string, unknown>>,
  operationName: string | undefined,
): Measured {
  const fragments = new Map<string, FragmentDefinitionNode>()
  const operations: OperationDefinitionNode[] = []
  for (const one of document.definitions) {
    if (one.kind === Kind.FRAGMENT_DEFINITION) fragments.set(one.name.value, one)
    if (one.kind === Kind.OPERATION_DEFINITION) operations.push(one)
  }
  const operation = operations.find(({ name }) => operationName === undefined || name?.value === operationName)
  const root = operation && schema.getRootType(operation.operation)
  // Whoever executes refuses an operation that is not there.
  if (operation === undefined || !root) return NOTHING
  const defaults = new Map(
    operation.variableDefinitions?.map(({ variable, defaultValue }) => [variable.name.value, defaultValue]),
  )

  /** The number that an argument says; undefined where it says none. */
  const numberOf = (field: FieldNode, name: string): number | undefined => {
    const value = field.arguments?.find((argument) => argument.name.value === name)?.value
    if (value?.kind === Kind.INT) return Number(value.value)
    if (value?.kind !== Kind.VARIABLE) return undefined
    const given = variables[value.name.value]
    if (typeof given === 'number') return given
    const fallback = given === undefined ? defaults.get(value.name.value) : undefined
    return fallback?.kind === Kind.INT ? Number(fallback.value) : undefined
  }

  const measuredFragments = new Map<string, Measured>()
  const ofSet = (set: SelectionSetNode, parent: GraphQLCompositeType): Measured => {
    let measured = NOTHING
    for (const selection of set.selections) {
      if (selection.kind === Kind.FIELD) measured = joined(measured, ofField(selection, parent))
      else if (selection.kind === Kind.FRAGMENT_SPREAD) measured = joined(measured, ofFragment(selection.name.value))
      else {
        const type = typeNamed(selection.typeCondition?.name.value) ?? parent
        measured = joined(measured, ofSet(selection.selectionSet, type))
      }
    }
    return measured
  }

  const ofFragment = (name: string): Measured => {
    const known = measuredFragments.get(name)
    if (known !== undefined) return known
    const fragment = fragments.get(name)
    const type = typeNamed(fragment?.typeCondition.name.value)
    const measured = fragment && type ? ofSet(fragment.selectionSet, type) : NOTHING
    measuredFragments.set(name, measured)
    return measured
  }

  const typeNamed = (name: string | undefined): GraphQLCompositeType | undefined => {
    const type = name === undefined ? undefined : schema.getType(name)
    return isCompositeType(type) ? type : undefined
  }

  const ofField = (field: FieldNode, parent: GraphQLCompositeType): Measured => {
    const definition = fieldOf(schema, parent, field.name.value)
    const type = definition && getNamedType(definition.type)
    const inner = field.selectionSet && isCompositeType(type) ? ofSet(field.selectionSet, type) : NOTHING
    const own = costOf(definition)
    const cost = 1 + (own.cost ?? 0) + itemsOf(field, definition, own) * inner.cost
    const isIntrospection = field.name.value === '__schema' || field.name.value === '__type'
    const depth = inner.depth + (isWrapping(parent, field.name.value) ? 0 : 1)
    if (isIntrospection) return { depth: 0, cost, excess: Math.max(0, depth - limits.depthOfIntrospection) }
    return { depth, cost, excess: inner.excess }
  }

  const itemsOf = (
    field: FieldNode,
    definition: GraphQLField<unknown, unknown> | undefined,
    own: FieldCost,
  ): number => {
    if (definition?.args.some(({ name }) => name === 'first')) {
      // One that is out of range is refused where the page is read.
      return Math.min(Math.max(numberOf(field, 'first') ?? LIMIT_DEFAULT, 1), LIMIT_MAX)
    }
    // The items of a connection are counted at the field that takes `first`.
    if (field.name.value === 'edges') return 1
    const type = definition && (isNonNullType(definition.type) ? definition.type.ofType : definition.type)
    return isListType(type) ? (own.size ?? LIST_SIZE) : 1
  }

  const whole = ofSet(operation.selectionSet, root)
  return { ...whole, excess: Math.max(whole.excess, whole.depth - limits.depth) }
}

function joined(one: Measured, other: Measured): Measured {
  return {
    depth: Math.max(one.depth, other.depth),
    cost: one.cost + other.cost,
    excess: Math.max(one.excess, other.excess),
  }
}

function isWrapping(parent: GraphQLCompositeType, name: string): boolean {
  return (name === 'edges' && parent.name.endsWith('Connection')) || (name === 'node' && parent.name.endsWith('Edge'))
}

function fieldOf(
  schema: GraphQLSchema,
  parent: GraphQLCompositeType,
  name: string,
): GraphQLField<unknown, unknown> | undefined {
  if (name === SchemaMetaFieldDef.name && parent === schema.getQueryType()) return SchemaMetaFieldDef
  if (name === TypeMetaFieldDef.name && parent === schema.getQueryType()) return TypeMetaFieldDef
  return isObjectType(parent) || isInterfaceType(parent) ? parent.getFields()[name] : undefined
}

function costOf(definition: GraphQLField<unknown, unknown> | undefined): FieldCost {
  const said = definition?.extensions['limits']
  return typeof said === 'object' && said !== null ? (said as FieldCost) : {}
}
