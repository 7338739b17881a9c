import { readFile } from 'node:fs/promises'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { describeContract } from '../../../src/app.ts'
import { problems, problemType } from '../../../src/platform/problems.ts'
import { buildSample, type Sample } from './sample.ts'

// biome-ignore lint/suspicious/noExplicitAny: a document of any shape is looked into.
type Document = any

let sample: Sample
let document: Document
beforeAll(async () => {
  sample = await buildSample()
  document = (await sample.server.inject('/openapi/v1.json')).json()
})
afterAll(() => sample.server.close())

/** Every schema in a document, with the place where it stands. */
function* schemasIn(value: unknown, path = '#'): Generator<[string, Record<string, unknown>]> {
  if (Array.isArray(value)) {
    for (const [index, inner] of value.entries()) yield* schemasIn(inner, `${path}/${index}`)
  } else if (typeof value === 'object' && value !== null) {
    for (const [member, inner] of Object.entries(value)) {
      const isSchema =
        member === 'schema' || /\/(properties|schemas|items|anyOf|oneOf)$/.test(path) || member === 'items'
      if (isSchema && typeof inner === 'object' && inner !== null && !Array.isArray(inner)) {
        yield [`${path}/${member}`, inner as Record<string, unknown>]
      }
      yield* schemasIn(inner, `${path}/${member}`)
    }
  }
}

describe('the document', () => {
  test('is OpenAPI 3.1 with each component once, none unused', () => {
    expect(document.openapi).toBe('3.1.0')
    expect(Object.keys(document.components.schemas)).toEqual(['Part', 'Problem', 'Thing'])
    const text = JSON.stringify(document)
    for (const [, name] of text.matchAll(/"#\/components\/schemas\/([^"]+)"/g)) {
      expect(document.components.schemas).toHaveProperty([name ?? ''])
    }
  })

  test('whole numbers in paths and queries are published as such', () => {
    expect(document.paths['/v1/things'].get.parameters[0]).toMatchObject({
      name: 'limit',
      in: 'query',
      required: false,
      schema: { type: 'integer', minimum: 1, maximum: 500 },
    })
    expect(document.paths['/v1/things/{number}'].get.parameters[0].schema.maximum).toBe(2_147_483_647)
  })

  test('a route names its own refusals and those every route shares', () => {
    const { responses } = document.paths['/v1/things'].post
    expect(Object.keys(responses)).toEqual(['201', '400', '409', '413', '415', '422', '500', '503'])
    expect(responses['409'].content).toEqual({
      'application/problem+json': {
        schema: { $ref: '#/components/schemas/Problem' },
        examples: { 'already-exists': { $ref: '#/components/examples/already-exists' } },
      },
    })
    expect(document.paths['/v1/things'].get.responses['400'].description).toContain('`cursor-invalid`')
  })

  test('every problem of the registry is a type, and nothing else is', () => {
    expect(document.components.schemas.Problem.properties.type.enum).toEqual(
      Object.keys(problems).map((key) => problemType(key as keyof typeof problems)),
    )
  })

  test('the reference page is there and allows no foreign source', async () => {
    const page = await sample.server.inject('/docs/')
    expect(page.statusCode).toBe(200)
    expect(page.headers['content-security-policy']).toMatch(/^default-src 'self'/)
    expect((await sample.server.inject('/docs/json')).json()).toEqual(document)
  })
})

describe('the contract of the service', () => {
  test('needs no database, is the same every time, and promises something everywhere', async () => {
    const text = await describeContract()
    expect(await describeContract()).toBe(text)
    const contract: Document = JSON.parse(text)
    for (const [path, schema] of schemasIn(contract)) {
      expect(Object.keys(schema), `${path} promises nothing`).not.toHaveLength(0)
    }
    const operations = Object.values<Document>(contract.paths).flatMap((path) => Object.values<Document>(path))
    const ids = operations.map((operation) => operation.operationId)
    expect(new Set(ids).size).toBe(ids.length)
    for (const operation of operations) {
      expect(operation.operationId, JSON.stringify(operation).slice(0, 80)).toMatch(/^[a-z][A-Za-z]+$/)
      expect(operation.summary, operation.operationId).toBeTruthy()
      expect(operation.tags, operation.operationId).toHaveLength(1)
      expect(operation.description, operation.operationId).toContain('Who may:')
    }
  })

  test('is the one committed in openapi/v1.json', async () => {
    const committed = await readFile(new URL('../../../openapi/v1.json', import.meta.url), 'utf8')
    expect(await describeContract(), 'run `npm run contract`').toBe(committed)
  })
})
