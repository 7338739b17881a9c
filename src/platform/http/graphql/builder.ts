import SchemaBuilder, { type EnumRef, type ObjectRef } from '@pothos/core'
import DataloaderPlugin from '@pothos/plugin-dataloader'
import RelayPlugin from '@pothos/plugin-relay'
import { GraphQLError, type GraphQLSchema, lexicographicSortSchema, printSchema } from 'graphql'
import { z } from 'zod'
import { isWellFormedText, KeyWire } from '../../../exact/text.ts'
import { readInstant } from '../../../exact/time.ts'
import { LIMIT_DEFAULT, LIMIT_MAX } from '../conventions.ts'
import type { FieldCost } from './limits.ts'

const TEXT_LENGTH_MAX = 256
const AskedText = z.string().min(1).max(TEXT_LENGTH_MAX).refine(isWellFormedText)

/** What belongs to one request. Loaders keep what they have loaded by this object, so nothing outlives the request. */
export interface GraphContext {
  readonly requestId: string
  readonly operationName: string | undefined
}

/** What the schema's builder knows of the types: scalars, and that nothing is null unless it is said to be. */
export interface GraphTypes {
  Context: GraphContext
  DefaultFieldNullability: false
  DefaultEdgesNullability: false
  DefaultNodeNullability: false
  Scalars: {
    ID: { Input: string; Output: string }
    Instant: { Input: string; Output: string }
    Decimal: { Input: string; Output: string }
    Json: { Input: never; Output: unknown }
    Key: { Input: string; Output: string }
    Text: { Input: string; Output: string }
  }
}

export type GraphBuilder = ReturnType<typeof createGraphBuilder>

type SchemaTypesOf<Builder> = Builder extends PothosSchemaTypes.SchemaBuilder<infer Types> ? Types : never

/** A type of the schema that a room gives to the rooms above it, which lead to it from types of theirs. */
export type GraphObject<Shape> = ObjectRef<SchemaTypesOf<GraphBuilder>, Shape>

/** The same of a list of words. */
export type GraphEnum<Word> = EnumRef<SchemaTypesOf<GraphBuilder>, Word>

/** An empty schema with the scalars; each room's `graph.ts` adds its types and questions. */
export function createGraphBuilder() {
  const builder = new SchemaBuilder<GraphTypes>({
    plugins: [RelayPlugin, DataloaderPlugin],
    defaultFieldNullability: false,
    relay: { nodeQueryOptions: false, nodesQueryOptions: false },
  })
  builder.scalarType('Instant', {
    description: 'An instant as RFC 3339 writes it, with an offset; answered in UTC with milliseconds.',
    serialize: (value) => value,
    parseValue: (value) => {
      if ('refused' in readInstant(value)) {
        throw new GraphQLError('An Instant is RFC 3339 with an offset, such as 2026-03-16T09:14:39.930Z.')
      }
      return String(value)
    },
  })
  builder.scalarType('Decimal', {
    description: 'An exact decimal number as text, in plain digits.',
    serialize: (value) => value,
    parseValue: () => refuseInput('Decimal'),
  })
  builder.scalarType('Json', {
    description: 'A JSON value whose shape the OpenAPI document tells; decimals in it are strings.',
    serialize: (value) => value,
    parseValue: () => refuseInput('Json'),
  })
  const asked = (name: string, description: string, wire: z.ZodType<string>) =>
    builder.scalarType(name as 'Key' | 'Text', {
      description,
      serialize: (value) => value,
      parseValue: (value) => {
        const read = wire.safeParse(value)
        if (read.success) return read.data
        throw new GraphQLError(`This is no ${name}: ${description}`)
      },
    })
  asked('Key', 'The key of a thing: 1 to 64 of A-Z a-z 0-9 . _ : -', KeyWire)
  asked('Text', `Well-formed text of 1 to ${TEXT_LENGTH_MAX} characters.`, AskedText)
  builder.queryType({ description: 'Questions only: whatever changes something is asked for over REST.' })
  return builder
}

function refuseInput(scalar: string): never {
  throw new GraphQLError(`${scalar} is answered, never asked with.`)
}

/** The name of a word in the schema, where hyphens are not allowed: `in-review` is IN_REVIEW. */
export function graphWord(word: string): string {
  return word.toUpperCase().replaceAll('-', '_')
}

/** An enum of the schema from a room's list of words. */
export function wordsEnum<const Word extends string>(builder: GraphBuilder, name: string, words: readonly Word[]) {
  const values = Object.fromEntries(words.map((word) => [graphWord(word), { value: word }]))
  return builder.enumType(name, { values: values as Record<string, { value: Word }> })
}

/** The schema as text, in order of names: the same bytes from the same code. */
export function printGraph(schema: GraphQLSchema): string {
  return `${printSchema(lexicographicSortSchema(schema))}\n`
}

/** The extension of a field that the limits read. */
export function costs(cost: FieldCost): { extensions: { limits: FieldCost } } {
  return { extensions: { limits: cost } }
}

/** `first` and `after`, as every connection takes them. */
export function pageArgs(builder: GraphBuilder) {
  return builder.args((t) => ({
    first: t.int({ description: `How many at most: ${LIMIT_DEFAULT} unless said, ${LIMIT_MAX} at most.` }),
    after: t.string({ description: 'The cursor of the item after which to go on.' }),
  }))
}
