import { readdir, readFile } from 'node:fs/promises'
import { z } from 'zod'
import { type ProblemKey, problems, problemType } from '../problems.ts'

/** A member of the document, which is plain JSON all through. */
export type Json = null | boolean | number | string | Json[] | { [member: string]: Json }
export type JsonObject = { [member: string]: Json }

/**
 * Examples of one operation: the parameters and the body that were sent, and what was answered, by status. They are the
 * exchanges of a whole line of Aldermoor Works (invented) with this service, so they fit one another.
 */
const OperationExamples = z.strictObject({
  parameters: z.record(z.string(), z.union([z.string(), z.int()])).optional(),
  request: z.json().optional(),
  responses: z.record(z.string().regex(/^[1-5][0-9][0-9]$/), z.json()),
})
export type OperationExamples = z.infer<typeof OperationExamples>
/** By `operationId`. */
export type Examples = Readonly<Record<string, OperationExamples>>

// Three levels up from here lies the project, whether this runs from src or from dist.
const SEED = new URL('../../../seed/aldermoor/', import.meta.url)
const FOLDER = 'examples/'
/** A value written once and used elsewhere: `{"$from": "plan-ex36-final-7#/content"}`, a file of the seed and a pointer. */
const FROM = '$from'
const DEPTH_MAX = 64
/** Here a schema is that of one line, and so is an example. */
const LINES = 'application/x-ndjson'

/**
 * The examples in seed/aldermoor/examples, one file for each tag, with what they take from one another and from the
 * seed put in its place. Throws on a file that is not of this form, and on a reference to nothing.
 */
export async function readExamples(folder: URL = SEED): Promise<Examples> {
  const files = new Map<string, Json>()
  for (const prefix of ['', FOLDER]) {
    for (const name of await readdir(new URL(prefix, folder))) {
      if (name.endsWith('.json')) {
        const text = await readFile(new URL(prefix + name, folder), 'utf8')
        files.set(prefix + name.slice(0, -'.json'.length), JSON.parse(text) as Json)
      }
    }
  }
  const examples: Record<string, OperationExamples> = {}
  for (const [name, content] of files) {
    if (name.startsWith(FOLDER)) {
      for (const [operationId, example] of Object.entries(inPlace(content, files) as JsonObject)) {
        if (examples[operationId] !== undefined) throw new Error(`${operationId} has examples in two files`)
        const read = OperationExamples.safeParse(example)
        if (!read.success) throw new Error(`${name}: ${operationId}: ${z.prettifyError(read.error)}`)
        examples[operationId] = read.data
      }
    }
  }
  return examples
}

function inPlace(value: Json, files: ReadonlyMap<string, Json>, depth = 0): Json {
  if (depth > DEPTH_MAX) throw new Error('examples refer to one another in a circle')
  if (Array.isArray(value)) return value.map((inner) => inPlace(inner, files, depth + 1))
  if (typeof value !== 'object' || value === null) return value
  const from = value[FROM]
  if (typeof from === 'string') return inPlace(pointed(from, files), files, depth + 1)
  return Object.fromEntries(Object.entries(value).map(([member, inner]) => [member, inPlace(inner, files, depth + 1)]))
}

/** What a reference names. A pointer goes through references on its way. */
function pointed(reference: string, files: ReadonlyMap<string, Json>): Json {
  const [name = '', pointer = ''] = reference.split('#')
  let value = files.get(name)
  for (const token of pointer.split('/').slice(1)) {
    const member = token.replaceAll('~1', '/').replaceAll('~0', '~')
    value = (value as JsonObject | undefined)?.[member]
  }
  if (value === undefined) throw new Error(`an example refers to ${reference}, which is not there`)
  return value
}

/**
 * Puts the examples into a document: the operations' own ones, and one for each problem, which every response that may
 * be it refers to. An operation without examples is left as it is.
 */
export function withExamples(document: JsonObject, examples: Examples): JsonObject {
  const paths = structuredClone(document['paths']) as Record<string, Record<string, JsonObject>>
  const shared = new Set<ProblemKey>()
  for (const operation of Object.values(paths).flatMap((path) => Object.values(path))) {
    const own = examples[String(operation['operationId'])] ?? { responses: {} }
    for (const parameter of (operation['parameters'] ?? []) as JsonObject[]) {
      const example = own.parameters?.[String(parameter['name'])]
      if (example !== undefined) parameter['example'] = example
    }
    if (own.request !== undefined) {
      for (const [type, media] of mediaOf(operation['requestBody'])) {
        media['example'] = type === LINES && Array.isArray(own.request) ? (own.request[0] ?? null) : own.request
      }
    }
    for (const [status, response] of Object.entries(operation['responses'] as Record<string, JsonObject>)) {
      addToResponse(response, own.responses[status], shared)
    }
  }
  const components = { ...(document['components'] as JsonObject) }
  const keys = [...shared].sort()
  if (keys.length > 0) components['examples'] = Object.fromEntries(keys.map((key) => [key, problemExample(key)]))
  return { ...document, paths, components }
}

function addToResponse(response: JsonObject, own: Json | undefined, shared: Set<ProblemKey>): void {
  const content = (response['content'] ?? {}) as Record<string, JsonObject>
  for (const [type, media] of Object.entries(content)) {
    if (type !== 'application/problem+json') {
      if (own !== undefined) media['example'] = own
      continue
    }
    const ownType = (own as JsonObject | undefined)?.['type']
    const listed: JsonObject = {}
    for (const key of refusalKeys(response['description'])) {
      if (own !== undefined && ownType === problemType(key)) {
        listed[key] = { summary: problems[key].title, value: own }
      } else {
        listed[key] = { $ref: `#/components/examples/${key}` }
        shared.add(key)
      }
    }
    media['examples'] = listed
  }
}

/** The problems that a documented refusal may be: its description has one a line, by name. */
function refusalKeys(description: Json | undefined): ProblemKey[] {
  const names = [...String(description).matchAll(/^`([a-z-]+)`: /gm)].map(([, name = '']) => name)
  return names.filter((name): name is ProblemKey => Object.hasOwn(problems, name))
}

/** What the refusals that name fields may say, beside the title. */
const NAMED_FIELDS: Partial<Record<ProblemKey, { detail: string; errors: Json[] }>> = {
  'field-invalid': {
    detail: 'dueOn: Expected a date of the calendar, YYYY-MM-DD.',
    errors: [{ pointer: '#/dueOn', detail: 'Expected a date of the calendar.', code: 'field-invalid', in: 'body' }],
  },
  'parameter-invalid': {
    detail: 'limit: Expected a whole number.',
    errors: [{ pointer: '#/limit', detail: 'Expected a whole number.', code: 'field-invalid', in: 'query' }],
  },
}

function problemExample(key: ProblemKey): JsonObject {
  const { status, title } = problems[key]
  const value = { type: problemType(key), title, status, ...NAMED_FIELDS[key], requestId: EXAMPLE_REQUEST_ID }
  return { summary: title, value }
}

const EXAMPLE_REQUEST_ID = '6f1c2b1e-3d0a-4c57-9a53-0c8f2f6b7a10'

function mediaOf(holder: Json | undefined): [string, JsonObject][] {
  const content = (holder as JsonObject | undefined)?.['content'] ?? {}
  return Object.entries(content as Record<string, JsonObject>)
}
