import { parse } from 'graphql'
import { describe, expect, test } from 'vitest'
import { costs, createGraphBuilder, pageArgs } from '../../src/platform/http/graphql/builder.ts'
import { limits, parseQuery, requireWithinLimits } from '../../src/platform/http/graphql/limits.ts'
import { Problem } from '../../src/platform/problems.ts'

interface Part {
  readonly name: string
}

/** A part with its parts: as deep as one asks. */
function partsSchema() {
  const builder = createGraphBuilder()
  const Part = builder.objectRef<Part>('Part')
  const Parts = builder.connectionObject({ type: Part, name: 'PartConnection' }, { name: 'PartEdge' })
  const none = () => ({
    edges: [],
    pageInfo: { hasNextPage: false, hasPreviousPage: false, startCursor: null, endCursor: null },
  })
  Part.implement({
    fields: (t) => ({
      name: t.exposeString('name'),
      part: t.field({ type: Part, resolve: (part) => part }),
      parts: t.field({ type: Parts, args: pageArgs(builder), resolve: none }),
      list: t.field({ type: [Part], resolve: (part) => [part] }),
      four: t.field({ type: [Part], ...costs({ size: 4 }), resolve: (part) => [part] }),
      dear: t.exposeString('name', costs({ cost: 100 })),
    }),
  })
  builder.queryField('part', (t) => t.field({ type: Part, resolve: () => ({ name: 'housing' }) }))
  return builder.toSchema()
}

const schema = partsSchema()
const sizeOf = (query: string, variables?: Record<string, unknown>, operationName?: string) =>
  requireWithinLimits(schema, parse(query), variables, operationName)

function refusalOf(query: string, variables?: Record<string, unknown>): string {
  try {
    sizeOf(query, variables)
  } catch (error) {
    if (error instanceof Problem && error.key === 'query-too-large') return error.detail ?? ''
    throw error
  }
  return expect.fail('it was let through')
}

const nested = (depth: number) => `{ ${'part { '.repeat(depth - 1)}name${' }'.repeat(depth - 1)} }`

describe('depth', () => {
  test('counts fields inside each other', () => {
    expect(sizeOf('{ part { name } }').depth).toBe(2)
    expect(sizeOf(nested(limits.depth)).depth).toBe(limits.depth)
    expect(refusalOf(nested(limits.depth + 1))).toMatch(/11 deep, and 10 may be/)
  })

  test('does not count what only wraps the items of a connection', () => {
    expect(sizeOf('{ part { parts { edges { node { name } } } } }').depth).toBe(3)
    expect(sizeOf('{ part { parts { pageInfo { endCursor } } } }').depth).toBe(4)
  })

  test('goes through fragments, inline and named', () => {
    const fragment = (inner: string) => `{ part { ...A } } fragment A on Part { ... on Part { part { ${inner} } } }`
    expect(sizeOf(fragment('name')).depth).toBe(3)
    expect(refusalOf(fragment(`${'part { '.repeat(9)}name${' }'.repeat(9)}`))).toMatch(/12 deep/)
  })

  test('is counted apart for questions about the schema', () => {
    const types = (times: number) =>
      `{ __type(name: "Part") { ${'ofType { '.repeat(times)}name${' }'.repeat(times)} } }`
    expect(sizeOf(types(14)).depth).toBe(0)
    expect(refusalOf(types(15))).toMatch(/16 of __schema/)
  })
})

describe('cost', () => {
  test.each([
    ['a field', '{ part { name } }', 2],
    ['a list of ten, unless its field says how many', '{ part { list { name } four { name } } }', 1 + 11 + 5],
    ['a dear field', '{ part { dear } }', 102],
    ['a page of fifty, where nothing is said', '{ part { parts { edges { node { name } } } } }', 2 + 50 * 3],
    ['a page of its own size', '{ part { parts(first: 2) { edges { node { name } } } } }', 2 + 2 * 3],
    [
      'a page in a page',
      '{ part { parts(first: 3) { edges { node { parts(first: 2) { pageInfo { endCursor } } } } } } }',
      2 + 3 * (2 + 1 + 2 * 2),
    ],
    [
      'a fragment each time it is used',
      '{ part { a: part { ...F } b: part { ...F } } } fragment F on Part { name }',
      5,
    ],
  ])('%s', (_, query, cost) => {
    expect(sizeOf(query).cost).toBe(cost)
  })

  test('reads first from the variables, and from their defaults', () => {
    const query = 'query($n: Int = 4) { part { parts(first: $n) { edges { cursor } } } }'
    expect(sizeOf(query).cost).toBe(2 + 4 * 2)
    expect(sizeOf(query, { n: 100 }).cost).toBe(2 + 100 * 2)
    // Out of range; refused where the page is read, and counted as the most a page may be.
    expect(sizeOf(query, { n: 1_000_000_000 }).cost).toBe(2 + 500 * 2)
    expect(sizeOf(query, { n: -5 }).cost).toBe(2 + 2)
  })

  test('is counted of the operation that runs', () => {
    const query = 'query A { part { name } } query B { part { dear } }'
    expect(sizeOf(query, {}, 'A').cost).toBe(2)
    expect(sizeOf(query, {}, 'B').cost).toBe(102)
  })

  test('refuses what asks for too much, with a way out', () => {
    const pages = '{ part { parts(first: 500) { edges { node { parts(first: 500) { edges { cursor } } } } } } }'
    expect(refusalOf(pages)).toMatch(/costs \d+ points, and 50000 may be\. Ask for smaller pages/)
  })

  test('of fragments that double each other is counted in no time', () => {
    const doubling = Array.from(
      { length: 60 },
      (_, n) => `fragment F${n} on Part { ...F${n + 1} ... on Part { ...F${n + 1} } }`,
    )
    const query = `{ part { ...F0 } } ${doubling.join(' ')} fragment F60 on Part { name }`
    expect(refusalOf(query)).toMatch(/points/)
  })
})

test('aliases are counted, wherever they stand', () => {
  const many = (count: number) => Array.from({ length: count }, (_, n) => `a${n}: name`).join(' ')
  expect(sizeOf(`{ part { ${many(limits.aliases)} } }`).aliases).toBe(limits.aliases)
  expect(refusalOf(`{ part { ...F } } fragment F on Part { ${many(31)} }`)).toMatch(/31 fields anew, and 30 may be/)
})

test('a document of too many tokens is not read to its end', () => {
  expect(parseQuery(`{ ${'name '.repeat(limits.tokens - 3)} }`).kind).toBe('Document')
  expect(() => parseQuery(`{ ${'name '.repeat(limits.tokens)} }`)).toThrow(/tokens/)
})
