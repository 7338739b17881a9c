import { readFileSync } from 'node:fs'
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { pathToFileURL } from 'node:url'
import { Ajv2020, type ValidateFunction } from 'ajv/dist/2020.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { readExamples } from '../../src/platform/http/examples.ts'
import { problems, problemType } from '../../src/platform/problems.ts'

// biome-ignore lint/suspicious/noExplicitAny: a document of any shape is looked into.
type Document = any

const document: Document = JSON.parse(readFileSync(new URL('../../openapi/v1.json', import.meta.url), 'utf8'))
const operations: Document[] = Object.values<Document>(document.paths).flatMap((path) => Object.values(path))
/** A response whose bytes are no JSON has no example: they are what was once sent. */
const BYTES = 'application/octet-stream'

const ajv = new Ajv2020({ strict: false, allErrors: true, validateFormats: false })
/** The document's schemas as JSON Schema names them. */
const named = (schema: unknown): Document =>
  JSON.parse(JSON.stringify(schema).replaceAll('"#/components/schemas/', '"urn:limitkeep:document#/$defs/'))
ajv.addSchema({ $id: 'urn:limitkeep:document', $defs: named(document.components.schemas) })

const compiled = new Map<string, ValidateFunction>()

/** What is wrong with a value by a schema of the document; empty where it fits. */
function faultsOf(schema: Document, value: unknown): string[] {
  const text = JSON.stringify(schema)
  const fits = compiled.get(text) ?? ajv.compile(named(schema))
  compiled.set(text, fits)
  return fits(value) ? [] : (fits.errors ?? []).map(({ instancePath, message }) => `${instancePath} ${message}`)
}

describe.each(operations.map((operation) => [operation.operationId as string, operation] as const))(
  'the examples of %s',
  (_, operation) => {
    test('are there for what is sent and every answer, and fit their schemas', () => {
      const missing: string[] = []
      const wrong: string[] = []
      const check = (place: string, media: Document, values: unknown[]) => {
        if (values.length === 0) missing.push(place)
        for (const value of values) wrong.push(...faultsOf(media.schema, value).map((fault) => `${place}: ${fault}`))
      }
      for (const [type, media] of Object.entries<Document>(operation.requestBody?.content ?? {})) {
        check(`request ${type}`, media, 'example' in media ? [media.example] : [])
      }
      for (const parameter of operation.parameters ?? []) {
        if (parameter.in !== 'query' && parameter.required) {
          check(`parameter ${parameter.name}`, parameter, 'example' in parameter ? [parameter.example] : [])
        }
      }
      for (const [status, response] of Object.entries<Document>(operation.responses)) {
        for (const [type, media] of Object.entries<Document>(response.content ?? {})) {
          if (type === BYTES) continue
          check(`${status} ${type}`, media, valuesOf(media))
        }
      }
      expect({ missing, wrong }).toEqual({ missing: [], wrong: [] })
    })

    test('name each problem that a refusal may be, and no other', () => {
      for (const [status, { content, description }] of Object.entries<Document>(operation.responses)) {
        const listed = content?.['application/problem+json']
        if (listed === undefined) continue
        const told = Object.keys(problems).filter((key) => description.includes(`\`${key}\`: `))
        expect(Object.keys(listed.examples).sort(), status).toEqual(told.sort())
        for (const [key, value] of Object.entries<Document>(listed.examples)) {
          const { type, status: own } = valuesOf({ examples: { one: value } })[0] as Document
          expect([type, String(own)]).toEqual([problemType(key as keyof typeof problems), status])
        }
      }
    })
  },
)

function valuesOf(media: Document): unknown[] {
  if ('example' in media) return [media.example]
  return Object.values<Document>(media.examples ?? {}).map((one) =>
    '$ref' in one ? document.components.examples[one.$ref.split('/').at(-1)].value : one.value,
  )
}

test('every example is of an operation and an answer that there are', async () => {
  const byId = new Map(operations.map((operation) => [operation.operationId, operation]))
  const lost = Object.entries(await readExamples()).flatMap(([operationId, { responses }]) =>
    Object.keys(responses)
      .filter((status) => byId.get(operationId)?.responses[status] === undefined)
      .map((status) => `${operationId} ${status}`),
  )
  expect(lost).toEqual([])
})

test('the check of examples sees a wrong one', () => {
  const { schema, example } = document.paths['/v1/runs'].post.requestBody.content['application/json']
  expect(faultsOf(schema, { ...example, sequenceNumber: 'one' })).not.toEqual([])
  expect(faultsOf(schema, { ...example, unheard: 1 })).not.toEqual([])
  expect(faultsOf(schema, example)).toEqual([])
})

test('no example shows a token or a secret that could be one', () => {
  const text = JSON.stringify(document)
  const tokens = [...text.matchAll(/lk_[a-z0-9]+_[A-Za-z0-9_-]+/g)].map(([token]) => token)
  expect(tokens.length).toBeGreaterThan(0)
  expect(tokens.filter((token) => !token.includes('_EXAMPLE-ONLY-'))).toEqual([])
  const secrets = [...text.matchAll(/"secret":"([^"]*)"/g)].map(([, secret]) => secret)
  expect(new Set(secrets)).toEqual(new Set(['EXAMPLEEXAMPLEEXAMPLEEXAMPLEEXAM']))
})

describe('the reader of examples', () => {
  let directory: string
  const write = (name: string, content: unknown) => writeFile(join(directory, name), JSON.stringify(content))
  const read = () => readExamples(pathToFileURL(`${directory}/`))
  beforeAll(async () => {
    directory = await mkdtemp(join(tmpdir(), 'limitkeep-examples-'))
    await mkdir(join(directory, 'examples'))
    await write('thing.json', { content: { 'a/b': [1, { c: 'two' }] } })
  })
  afterAll(() => rm(directory, { recursive: true, force: true }))

  test('puts a reference in its place, through other references', async () => {
    await write('examples/one.json', {
      makeThing: { request: { $from: 'thing#/content/a~1b/1' }, responses: { '201': { $from: 'thing#' } } },
      getThing: { responses: { '200': { $from: 'examples/one#/makeThing/responses/201' } } },
    })
    const thing = { content: { 'a/b': [1, { c: 'two' }] } }
    expect(await read()).toEqual({
      makeThing: { request: { c: 'two' }, responses: { '201': thing } },
      getThing: { responses: { '200': thing } },
    })
  })

  test.each([
    ['a reference to nothing', { getThing: { responses: { '200': { $from: 'thing#/other' } } } }, /not there/],
    ['a circle', { getThing: { responses: { '200': { $from: 'examples/one#/getThing' } } } }, /circle/],
    ['another form', { getThing: { answers: {} } }, /getThing/],
    ['a status that is none', { getThing: { responses: { good: 1 } } }, /getThing/],
  ])('refuses %s', async (_, content, said) => {
    await write('examples/one.json', content)
    await expect(read()).rejects.toThrow(said)
  })
})
