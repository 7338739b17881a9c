import { mkdir, readdir, readFile, writeFile } from 'node:fs/promises'

/** Writes down what a client sends and is answered, by operation, as the examples of the published document hold it. */

export interface Operation {
  readonly operationId: string
  readonly tag: string
  readonly method: string
  readonly path: RegExp
  /** Names of the path's parameters, in order. */
  readonly names: readonly string[]
}

export interface Exchange {
  readonly operation: Operation
  readonly parameters: Readonly<Record<string, string | number>>
  readonly request: unknown
  readonly status: number
  /** Of many lines of JSON the first; undefined for a body that is neither JSON nor text. */
  readonly answer: unknown
}

interface Document {
  readonly paths: Readonly<
    Record<string, Readonly<Record<string, { readonly operationId: string; readonly tags: readonly string[] }>>>
  >
}

export function operationsOf(document: Document): Operation[] {
  return Object.entries(document.paths).flatMap(([path, methods]) => {
    const names = [...path.matchAll(/\{([^}]+)\}/g)].map(([, name = '']) => name)
    const pattern = new RegExp(`^${path.replace(/\{[^}]+\}/g, '([^/]+)')}$`)
    return Object.entries(methods).map(([method, { operationId, tags }]) => ({
      operationId,
      tag: tags[0] ?? '',
      method: method.toUpperCase(),
      path: pattern,
      names,
    }))
  })
}

/** A fetch that also writes down. Throws for a request that is no operation of the document. */
export function recordingFetch(operations: readonly Operation[], exchanges: Exchange[]): typeof fetch {
  return async (input, init) => {
    const response = await fetch(input, init)
    const url = new URL(String(input))
    const method = init?.method ?? 'GET'
    const operation = operations.find((one) => one.method === method && one.path.test(url.pathname))
    if (operation === undefined) throw new Error(`${method} ${url.pathname} is not in the document`)
    const values = operation.path.exec(url.pathname)?.slice(1).map(decodeURIComponent) ?? []
    const given = [...operation.names.map((name, index) => [name, values[index] ?? ''] as const), ...url.searchParams]
    exchanges.push({
      operation,
      parameters: Object.fromEntries(given.map(([name, value]) => [name, /^\d+$/.test(value) ? Number(value) : value])),
      request: typeof init?.body === 'string' ? requestOf(init.body, init.headers) : undefined,
      status: response.status,
      answer: await answerOf(response.clone()),
    })
    return response
  }
}

/** A body as its media type says: JSON, or text as it is. */
function requestOf(body: string, headers: RequestInit['headers']): unknown {
  const type = new Headers(headers).get('content-type') ?? ''
  return type.startsWith('text/') ? body : JSON.parse(body)
}

async function answerOf(response: Response): Promise<unknown> {
  const type = response.headers.get('content-type') ?? ''
  if (type.startsWith('text/csv') || type.startsWith('text/html') || type.startsWith('application/xml'))
    return response.text()
  if (!type.includes('json')) return undefined
  const text = await response.text()
  return JSON.parse(type.includes('ndjson') ? text.slice(0, text.indexOf('\n')) : text)
}

const FOLDER = new URL('../../seed/aldermoor/', import.meta.url)
/** Shorter values are written out again where they come again. */
const SHARED_LENGTH_MIN = 160

interface Example {
  readonly parameters?: unknown
  readonly request?: unknown
  readonly responses: Record<string, unknown>
}

/**
 * Writes the examples anew: of each operation the first exchange that went well, and the first refused upload of each
 * status. What was not exchanged keeps the example it has. A value that is in the seed already, or in an example before,
 * is not written twice.
 */
export async function writeExamples(exchanges: readonly Exchange[]): Promise<void> {
  const byTag = await readWritten()
  const seen = new Map<string, Example>()
  for (const { operation, parameters, request, status, answer } of exchanges) {
    const { operationId, tag } = operation
    if (status >= 300 && operationId !== 'uploadRun') continue
    const example = seen.get(operationId) ?? {
      ...(Object.keys(parameters).length === 0 ? {} : { parameters }),
      ...(request === undefined ? {} : { request }),
      responses: {},
    }
    if (answer !== undefined) example.responses[status] ??= withoutSecrets(answer)
    seen.set(operationId, example)
    byTag[tag] ??= {}
    // One that was the same as another operation's as a whole is written anew: either may have changed.
    const { $from: _, ...kept } = byTag[tag][operationId]?.responses ?? {}
    byTag[tag][operationId] = { ...example, responses: { ...kept, ...example.responses } }
  }
  await writeShared(byTag)
}

async function readWritten(): Promise<Record<string, Record<string, Example>>> {
  const folder = new URL('examples/', FOLDER)
  await mkdir(folder, { recursive: true })
  const names = (await readdir(folder)).filter((name) => name.endsWith('.json'))
  const files = names.map(async (name) => [name.slice(0, -'.json'.length), await readJson(new URL(name, folder))])
  return Object.fromEntries(await Promise.all(files))
}

async function readJson(url: URL) {
  return JSON.parse(await readFile(url, 'utf8'))
}

const EXAMPLE_SECRET = 'EXAMPLE-ONLY-EXAMPLE-ONLY-EXAMPLE-ONLY-EXAM'

/** Tokens and secrets as they look, without being any. */
function withoutSecrets(answer: unknown): unknown {
  return JSON.parse(JSON.stringify(answer), (member, value) => {
    if (member === 'token') return [...String(value).split('_').slice(0, 2), EXAMPLE_SECRET].join('_')
    if (member === 'secret') return 'EXAMPLEEXAMPLEEXAMPLEEXAMPLEEXAM'
    return value
  })
}

async function writeShared(byTag: Record<string, Record<string, Example>>): Promise<void> {
  const known = new Map<string, string>()
  const learn = (value: unknown, place: string) => {
    if (typeof value !== 'object' || value === null) return
    const text = JSON.stringify(value)
    if (text.length < SHARED_LENGTH_MIN) return
    if (!known.has(text)) known.set(text, place)
    for (const [member, inner] of Object.entries(value)) {
      learn(inner, `${place}/${member.replaceAll('~', '~0').replaceAll('/', '~1')}`)
    }
  }
  /** The value with what is known replaced by where it stands; what is new is learnt. */
  const share = (value: unknown, place: string): unknown => {
    if (typeof value !== 'object' || value === null) return value
    const text = JSON.stringify(value)
    const from = known.get(text)
    if (from !== undefined) return { $from: from }
    if (text.length >= SHARED_LENGTH_MIN) known.set(text, place)
    if (Array.isArray(value)) return value.map((inner, index) => share(inner, `${place}/${index}`))
    return Object.fromEntries(
      Object.entries(value).map(([member, inner]) => [
        member,
        share(inner, `${place}/${member.replaceAll('~', '~0').replaceAll('/', '~1')}`),
      ]),
    )
  }
  for (const name of (await readdir(FOLDER)).filter((one) => one.endsWith('.json'))) {
    learn(await readJson(new URL(name, FOLDER)), `${name.slice(0, -'.json'.length)}#`)
  }
  for (const [tag, examples] of Object.entries(byTag)) {
    const shared = share(examples, `examples/${tag}#`)
    await writeFile(new URL(`examples/${tag}.json`, FOLDER), `${JSON.stringify(shared, null, 2)}\n`)
  }
}
