import swagger from '@fastify/swagger'
import swaggerUi from '@fastify/swagger-ui'
import type { FastifyInstance } from 'fastify'
import { createJsonSchemaTransform, createJsonSchemaTransformObject } from 'fastify-type-provider-zod'
import type { z } from 'zod'
import { type Json, type JsonObject, readExamples, withExamples } from './examples.ts'

const COMPONENT = '#/components/schemas/'

/**
 * A schema whose wire form is told apart from what Zod would derive says so in its metadata. Anything that JSON Schema
 * cannot express stops the build of the document: an empty schema in a contract promises nothing.
 */
const ZOD_TO_JSON = {
  unrepresentable: 'throw',
  override({ jsonSchema }: { jsonSchema: Record<string, unknown> }) {
    const published = jsonSchema['x-published']
    if (typeof published === 'object' && published !== null) {
      for (const member of Object.keys(jsonSchema)) {
        if (member !== 'description' && member !== 'id') {
          delete jsonSchema[member]
        }
      }
      Object.assign(jsonSchema, published)
    }
  },
} as const satisfies Pick<z.core.ToJSONSchemaParams, 'unrepresentable'> & { override: unknown }

const TAGS = [
  { name: 'runs', description: 'Uploads of test runs, and what the service said about them' },
  { name: 'units', description: 'What is known of one serial number, and whether it may ship' },
  { name: 'stations', description: 'Sites, stations, instruments, calibrations, programmings, assignments' },
  {
    name: 'station-checks',
    description: 'Reference units, check plans, checks of stations, and what a failed one affects',
  },
  { name: 'plans', description: 'Test plans and their revisions' },
  { name: 'files', description: 'CSV files of stations, and the profiles that they are read by' },
  { name: 'studies', description: 'Questions over stored runs: who would be affected' },
  { name: 'rules', description: 'Rule tables and their editions' },
  { name: 'products', description: 'Products and their versions' },
  { name: 'events', description: 'What happened, for those who follow' },
  { name: 'access', description: 'Persons, access keys, one-time codes' },
  { name: 'service', description: 'Health' },
]

/** The reference page's own scripts and styles; its user interface writes styles into its elements. */
const REFERENCE_PAGE_CSP =
  "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; object-src 'none'; frame-ancestors 'none'"

/**
 * Collects every route registered afterwards into one OpenAPI 3.1 document, served at /openapi/v1.json, with a
 * reference page at /docs. Call it before any route is registered.
 */
export async function registerOpenapi(
  server: FastifyInstance,
  /** In Markdown: what stands before the operations. */
  description: string,
): Promise<void> {
  const transformObject = createJsonSchemaTransformObject({ zodToJsonConfig: ZOD_TO_JSON })
  const examples = await readExamples()
  await server.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: {
        title: 'Limitkeep',
        version: '1',
        description,
        contact: { name: 'Whoever runs the installation that serves this document' },
        license: { name: 'Proprietary, not published under a licence', identifier: 'LicenseRef-Proprietary' },
      },
      servers: [{ url: '/', description: 'The installation that serves this document' }],
      tags: TAGS,
      components: {
        securitySchemes: {
          accessKey: { type: 'http', scheme: 'bearer', description: 'An access key of a person, station or gateway' },
        },
      },
    },
    transform: createJsonSchemaTransform({ zodToJsonConfig: ZOD_TO_JSON }),
    transformObject: (document) =>
      withExamples(described(tidy(transformObject(document) as unknown as JsonObject)), examples) as never,
  })
  await server.register(swaggerUi, {
    routePrefix: '/docs',
    staticCSP: REFERENCE_PAGE_CSP,
    theme: { title: 'Limitkeep: reference' },
    uiConfig: { displayOperationId: true },
  })
  server.get('/openapi/v1.json', { schema: { hide: true } }, (_request, reply) => {
    reply.type('application/json').send(printOpenapi(server))
  })
}

/** The document as text: the same bytes from the same code, with a line end at the last line. */
export function printOpenapi(server: FastifyInstance): string {
  return `${JSON.stringify(server.swagger(), null, 2)}\n`
}

/** What an answer is, where its schema says no more than its shape. */
const ANSWERS: Readonly<Record<string, string>> = {
  '200': 'What was asked for, as it stands now',
  '201': 'Recorded: the thing itself',
  '202': 'Held: judged, and no evidence until it is settled',
  '503': 'Not ready to take work',
}

/** The header of an edit, which every route that may refuse with 428 asks for. */
const IF_MATCH: JsonObject = {
  name: 'if-match',
  in: 'header',
  required: true,
  description: 'The ETag of the draft as it was read (RFC 9110 section 13.1.1)',
  schema: { type: 'string' },
  example: '"sha256:6c3d1a7de5ee4d2d3b7f6c1b9f0a4ee06b1a4d7c52dbf0dbd4b1f2a9a2a6f0c1"',
}

const LOCATION: JsonObject = {
  Location: { description: 'Where it can be read, if it can', schema: { type: 'string', format: 'uri-reference' } },
}
/** Headers of answers, by status. */
const HEADERS: Readonly<Record<string, JsonObject>> = {
  '201': LOCATION,
  '202': LOCATION,
  '503': { 'Retry-After': { description: 'Seconds to wait', schema: { type: 'integer', minimum: 1 } } },
}

/** Puts into words what the routes leave unsaid: what a good answer is, its headers, and the header that an edit needs. */
function described(document: JsonObject): JsonObject {
  for (const path of Object.values(objectAt(document, 'paths'))) {
    for (const operation of Object.values(path as Record<string, JsonObject>)) {
      const responses = objectAt(operation, 'responses')
      for (const [status, response] of Object.entries(responses as Record<string, JsonObject>)) {
        const said = ANSWERS[status]
        if (response['description'] === 'Default Response' && said !== undefined) response['description'] = said
        const headers = HEADERS[status]
        if (headers !== undefined) response['headers'] = headers
      }
      if (responses['428'] !== undefined) {
        const parameters = Array.isArray(operation['parameters']) ? operation['parameters'] : []
        operation['parameters'] = [...parameters, IF_MATCH]
      }
    }
  }
  return document
}

/** Each component once, none unused, paths and components in order of name. */
function tidy(document: JsonObject): JsonObject {
  const components = objectAt(document, 'components')
  const schemas = objectAt(components, 'schemas')
  const twins = equalTwins(schemas)
  const paths = renamed(sorted(objectAt(document, 'paths')), twins) as JsonObject
  const kept: JsonObject = {}
  const wanted = [...references(paths)]
  for (let name = wanted.pop(); name !== undefined; name = wanted.pop()) {
    const schema = schemas[name]
    if (schema === undefined) {
      throw new Error(`the document refers to a component ${name} that is not there`)
    }
    if (kept[name] === undefined) {
      const component = renamed(schema, twins)
      kept[name] = component
      wanted.push(...references(component))
    }
  }
  return { ...document, paths, components: { ...components, schemas: sorted(kept) } }
}

/**
 * The Zod bridge writes each component twice, as it is sent (`NameInput`) and as it is answered (`Name`). Which pairs
 * are the same? First all are taken to be; a pair that differs under that assumption is struck off, until none is.
 */
function equalTwins(schemas: JsonObject): ReadonlySet<string> {
  const twins = new Set(Object.keys(schemas).filter((name) => schemas[`${name}Input`] !== undefined))
  for (let struck = true; struck; ) {
    struck = false
    for (const name of twins) {
      const asked = JSON.stringify(renamed(schemas[`${name}Input`] ?? null, twins))
      if (asked !== JSON.stringify(renamed(schemas[name] ?? null, twins))) {
        twins.delete(name)
        struck = true
      }
    }
  }
  return twins
}

/** The same value with references to the input twin of `twins` turned to the component itself. */
function renamed(value: Json, twins: ReadonlySet<string>): Json {
  return mapReferences(value, (name) => {
    const base = name.endsWith('Input') ? name.slice(0, -'Input'.length) : name
    return twins.has(base) ? base : name
  })
}

function references(value: Json): Set<string> {
  const found = new Set<string>()
  mapReferences(value, (name) => {
    found.add(name)
    return name
  })
  return found
}

function mapReferences(value: Json, rename: (name: string) => string): Json {
  if (Array.isArray(value)) {
    return value.map((inner) => mapReferences(inner, rename))
  }
  if (typeof value !== 'object' || value === null) {
    return value
  }
  const mapped: JsonObject = {}
  for (const [member, inner] of Object.entries(value)) {
    mapped[member] =
      member === '$ref' && typeof inner === 'string' && inner.startsWith(COMPONENT)
        ? COMPONENT + rename(inner.slice(COMPONENT.length))
        : mapReferences(inner, rename)
  }
  return mapped
}

function sorted(object: JsonObject): JsonObject {
  return Object.fromEntries(Object.entries(object).sort(([a], [b]) => (a < b ? -1 : 1)))
}

function objectAt(object: JsonObject, member: string): JsonObject {
  const inner = object[member]
  return typeof inner === 'object' && inner !== null && !Array.isArray(inner) ? inner : {}
}
