import { Readable } from 'node:stream'
import type { FastifyReply, FastifyRequest, RouteOptions } from 'fastify'
import { z } from 'zod'
import { Problem, type ProblemKey, ProblemWire, problems } from '../problems.ts'

// ------------------------------------------------------------------------------------------------ whole numbers

/**
 * A whole number in a path or query. It arrives as text; only plain digits are taken, so `0x10`, `1e2` and ` 5 ` are
 * refused. The published document shows an integer.
 */
export function IntegerParam(range: { least: number; most: number }) {
  return z
    .codec(
      z.string().regex(/^(0|[1-9][0-9]{0,14})$/, 'Expected a whole number.'),
      z.int().min(range.least).max(range.most),
      {
        decode: Number,
        encode: String,
      },
    )
    .meta({ 'x-published': { type: 'integer', minimum: range.least, maximum: range.most } })
}

/** The number of a version, edition or revision in a path. It fits SQL's integer. */
export const NumberParam = IntegerParam({ least: 1, most: 2_147_483_647 })

// ------------------------------------------------------------------------------------------------ pages

export const LIMIT_DEFAULT = 50
export const LIMIT_MAX = 500
const CURSOR_LENGTH_MAX = 1_024

/** Query members of every list; spread into the list's own query schema. */
export const pageQuery = {
  limit: IntegerParam({ least: 1, most: LIMIT_MAX }).optional(),
  cursor: z.string().min(1).max(CURSOR_LENGTH_MAX).optional(),
}

/** A whole number as the place in a list; it fits SQL's integer, whatever a forged cursor says. */
export const PlaceNumber = z.int().min(0).max(2_147_483_647)
/** An instant as the place in a list: milliseconds that both a Date and the database hold. */
export const PlaceInstant = z.int().min(-62_135_596_800_000).max(8_640_000_000_000_000)

/** The answer of every list. `nextCursor` is null on the last page. */
export function PageWire<Item extends z.ZodType>(item: Item) {
  return z.strictObject({ items: z.array(item), nextCursor: z.string().nullable() })
}

export interface Page<Item> {
  readonly items: Item[]
  readonly nextCursor: string | null
}

/**
 * What a list query asks for. `place` is the schema of the ordering key after which the page begins; `list` names the
 * list, so that one list's cursor is refused by another.
 * @throws Problem `cursor-invalid`
 */
export function readPage<Place>(
  list: string,
  query: { readonly limit?: number | undefined; readonly cursor?: string | undefined },
  place: z.ZodType<Place>,
): { limit: number; after: Place | undefined } {
  const limit = query.limit ?? LIMIT_DEFAULT
  if (query.cursor === undefined) {
    return { limit, after: undefined }
  }
  const read = z.tuple([z.literal(list), place]).safeParse(decodeCursor(query.cursor))
  if (!read.success) {
    throw new Problem('cursor-invalid')
  }
  return { limit, after: read.data[1] }
}

/**
 * A page from rows that were asked for with one more than the limit: the surplus row only says that there is more.
 * @param placeOf the ordering key of an item, as JSON holds it (no Date, no bigint)
 */
export function makePage<Item>(
  list: string,
  rows: readonly Item[],
  limit: number,
  placeOf: (item: Item) => unknown,
): Page<Item> {
  const items = rows.slice(0, limit)
  const last = items.at(-1)
  const nextCursor = rows.length > limit && last !== undefined ? cursorOf(list, placeOf(last)) : null
  return { items, nextCursor }
}

/** Answers a page, with the RFC 8288 link to the next one. */
export function sendPage<Item>(
  request: Pick<FastifyRequest, 'url'>,
  reply: FastifyReply,
  page: Page<Item>,
): Page<Item> {
  if (page.nextCursor !== null) {
    const [path = '', query = ''] = request.url.split('?', 2)
    const next = new URLSearchParams(query)
    next.set('cursor', page.nextCursor)
    reply.header('link', `<${path}?${next.toString()}>; rel="next"`)
  }
  return page
}

/**
 * Answers the page that a list query asks for, read from one statement.
 * @throws Problem `cursor-invalid`
 */
export async function sendList<Place, Item>(
  request: Pick<FastifyRequest, 'url'> & { readonly query: Parameters<typeof readPage>[1] },
  reply: FastifyReply,
  list: {
    /** Names the list, so that one list's cursor is refused by another. */
    readonly name: string
    /** The schema of the ordering key after which a page begins. */
    readonly place: z.ZodType<Place>
    readonly placeOf: (item: Item) => Place
    /** Gives one more than `limit` where there are more. */
    readonly read: (page: { readonly after: Place | undefined; readonly limit: number }) => Promise<readonly Item[]>
  },
): Promise<Page<Item>> {
  const page = readPage(list.name, request.query, list.place)
  const items = await list.read(page)
  return sendPage(request, reply, makePage(list.name, items, page.limit, list.placeOf))
}

/** The cursor of a place in a list: opaque to callers, and refused by every other list. */
export function cursorOf(list: string, place: unknown): string {
  return Buffer.from(JSON.stringify([list, place]), 'utf8').toString('base64url')
}

function decodeCursor(cursor: string): unknown {
  if (!/^[A-Za-z0-9_-]+$/.test(cursor)) {
    throw new Problem('cursor-invalid')
  }
  try {
    return JSON.parse(Buffer.from(cursor, 'base64url').toString('utf8'))
  } catch (cause) {
    throw new Problem('cursor-invalid', { cause })
  }
}

// ------------------------------------------------------------------------------------------------ created, tagged

/** Answers 201 with the new thing itself and its address. */
export function sendCreated<Value>(reply: FastifyReply, location: readonly string[], value: Value): Value {
  reply.code(201).header('location', `/v1/${location.map(encodeURIComponent).join('/')}`)
  return value
}

/** Answers a thing with its strong entity tag; If-None-Match then gets 304 by itself. */
export function sendTagged<Value>(reply: FastifyReply, digest: string, value: Value): Value {
  reply.header('etag', entityTag(digest))
  return value
}

/**
 * Answers drafted and signed content, with its tag while it can be edited. Afterwards the content that a tag names stays,
 * but its state does not, so that a tag would answer 304 for what has changed.
 */
export function sendEditable<Value extends { readonly state: string; readonly digest: string }>(
  reply: FastifyReply,
  value: Value,
): Value {
  return value.state === 'draft' ? sendTagged(reply, value.digest, value) : value
}

/** Text held of a streamed answer for a reader that is slow. */
const STREAM_HELD_MAX = 65_536

/** A stream that asks for the next page when the reader has taken the last. The type is that of no declared answer. */
export function streamed(pages: AsyncGenerator<string>): never {
  return Readable.from(pages, { objectMode: false, highWaterMark: STREAM_HELD_MAX }) as never
}

/** The strong entity tag of a digest. */
export function entityTag(digest: string): string {
  return `"${digest}"`
}

/**
 * Holds an edit to the content its author saw.
 * @throws Problem `precondition-missing` without If-Match, `precondition-stale` where it names another content
 */
export function requireMatch(request: FastifyRequest, digest: string): void {
  const asked = request.headers['if-match']
  if (asked === undefined) {
    throw new Problem('precondition-missing', { detail: 'Send If-Match with the ETag of the content you read.' })
  }
  // RFC 9110 13.1.1: the comparison is strong, so a weak tag never matches.
  if (!namesTag(asked, entityTag(digest))) {
    throw new Problem('precondition-stale', { headers: { etag: entityTag(digest) } })
  }
}

/** Whether a GET can be answered 304. RFC 9110 13.1.2: here the comparison is weak. */
export function isNotModified(request: FastifyRequest, reply: FastifyReply): boolean {
  const asked = request.headers['if-none-match']
  const tag = reply.getHeader('etag')
  return (
    asked !== undefined &&
    typeof tag === 'string' &&
    reply.statusCode === 200 &&
    (request.method === 'GET' || request.method === 'HEAD') &&
    namesTag(asked.replaceAll('W/', ''), tag)
  )
}

function namesTag(header: string, tag: string): boolean {
  return header.trim() === '*' || header.split(',').some((part) => part.trim() === tag)
}

// ------------------------------------------------------------------------------------------------ refusals

/** The documented answer of one status: the problem document, and which problems it may be. */
interface RefusalResponse {
  readonly description: string
  readonly content: { readonly 'application/problem+json': { readonly schema: typeof ProblemWire } }
  readonly problems: readonly ProblemKey[]
}

/**
 * The refusals of a route, spread into its `response`. The type says nothing on purpose: a refusal is thrown, so it
 * must not widen what the handler may return.
 */
export function refusals(...keys: readonly ProblemKey[]): Readonly<Record<never, never>> {
  return byStatus(keys)
}

/** Adds refusals to a route while it is being registered. A response the route wrote itself is left alone. */
export function addRefusals(route: RouteOptions, keys: readonly ProblemKey[]): void {
  const response: Record<string, unknown> = { ...(route.schema?.response as Record<string, unknown> | undefined) }
  const declared = Object.values(response)
    .filter(isRefusal)
    .flatMap((one) => one.problems)
  const all = [...new Set([...declared, ...keys])].sort()
  for (const [status, refusal] of Object.entries(byStatus(all))) {
    if (response[status] === undefined || isRefusal(response[status])) {
      response[status] = refusal
    }
  }
  route.schema = { ...route.schema, response }
  route.config = { ...route.config, refusals: new Set(all) } as NonNullable<typeof route.config>
}

function byStatus(keys: readonly ProblemKey[]): Record<string, RefusalResponse> {
  const response: Record<string, RefusalResponse> = {}
  for (const key of keys) {
    const status = String(problems[key].status)
    const listed = [...(response[status]?.problems ?? []), key]
    response[status] = {
      description: listed.map((one) => `\`${one}\`: ${problems[one].title}.`).join('\n'),
      content: { 'application/problem+json': { schema: ProblemWire } },
      problems: listed,
    }
  }
  return response
}

function isRefusal(value: unknown): value is RefusalResponse {
  return typeof value === 'object' && value !== null && 'problems' in value && 'content' in value
}
