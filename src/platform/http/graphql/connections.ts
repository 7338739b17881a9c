import type { z } from 'zod'
import { Problem } from '../../problems.ts'
import { cursorOf, LIMIT_DEFAULT, LIMIT_MAX, readPage } from '../conventions.ts'

/** Pages of the graph: the same lists, order and cursors as REST, for one parent or for many at once. */

/** The arguments of every connection. */
export interface PageArgs {
  readonly first?: number | null | undefined
  readonly after?: string | null | undefined
}

/** One page in the shape of a connection. */
export interface Connection<Item> {
  readonly edges: { readonly cursor: string; readonly node: Item }[]
  readonly pageInfo: {
    readonly hasNextPage: boolean
    readonly hasPreviousPage: boolean
    readonly startCursor: string | null
    readonly endCursor: string | null
  }
}

/** A list by its order. Lists that REST has too carry the same name, so that a cursor of one goes on in the other. */
export interface Listing<Item, Place> {
  readonly name: string
  /** The schema of the ordering key after which a page begins. */
  readonly place: z.ZodType<Place>
  readonly placeOf: (item: Item) => Place
}

export interface PlacePage<Place> {
  readonly after: Place | undefined
  readonly limit: number
}

/**
 * The page that the arguments ask for.
 * @throws Problem `parameter-invalid` where `first` is out of range, `cursor-invalid`
 */
export function pageOf<Item, Place>(args: PageArgs, listing: Listing<Item, Place>): PlacePage<Place> {
  const first = args.first ?? LIMIT_DEFAULT
  if (first < 1 || first > LIMIT_MAX) {
    const detail = `first is 1 to ${LIMIT_MAX}; go on with after for more.`
    throw new Problem('parameter-invalid', { detail, errors: [{ pointer: '/first', detail, in: 'query' }] })
  }
  return readPage(listing.name, { limit: first, cursor: args.after ?? undefined }, listing.place)
}

/** A connection from rows that were asked for with one more than the limit: the surplus row only says there is more. */
export function connectionOf<Item, Place>(
  rows: readonly Item[],
  page: PlacePage<Place>,
  listing: Listing<Item, Place>,
): Connection<Item> {
  const edges = rows
    .slice(0, page.limit)
    .map((node) => ({ cursor: cursorOf(listing.name, listing.placeOf(node)), node }))
  return {
    edges,
    pageInfo: {
      hasNextPage: rows.length > page.limit,
      hasPreviousPage: page.after !== undefined,
      startCursor: edges.at(0)?.cursor ?? null,
      endCursor: edges.at(-1)?.cursor ?? null,
    },
  }
}

/** The page of one list. `read` gives one more than `limit` where there are more. */
export async function readConnection<Item, Place>(
  args: PageArgs,
  listing: Listing<Item, Place>,
  read: (page: PlacePage<Place>) => Promise<readonly Item[]>,
): Promise<Connection<Item>> {
  const page = pageOf(args, listing)
  return connectionOf(await read(page), page, listing)
}

/**
 * The same page for many parents, read together. The list's name holds the parent, as in REST, so that a cursor counts
 * under its own parent only; all parents of one field have the same arguments, so a cursor means there is one parent.
 * @returns a connection or a refusal for each parent, in their order
 */
export async function readConnections<Parent, Item, Place>(
  parents: readonly Parent[],
  args: PageArgs,
  listingOf: (parent: Parent) => Listing<Item, Place>,
  read: (parents: readonly Parent[], page: PlacePage<Place>) => Promise<readonly (readonly Item[])[]>,
): Promise<(Connection<Item> | Error)[]> {
  const pages = parents.map((parent) => {
    try {
      return pageOf(args, listingOf(parent))
    } catch (refusal) {
      if (refusal instanceof Problem) return refusal
      throw refusal
    }
  })
  const asked = parents.filter((_, index) => !(pages[index] instanceof Error))
  const page = pages.find((one): one is PlacePage<Place> => !(one instanceof Error))
  const rows = page === undefined ? [] : await read(asked, page)
  const rowsOf = new Map(asked.map((parent, index) => [parent, rows[index] ?? []]))
  return parents.map((parent, index) => {
    const own = pages[index]
    if (own === undefined || own instanceof Error) return own ?? new Error('every parent has a page')
    return connectionOf(rowsOf.get(parent) ?? [], own, listingOf(parent))
  })
}

/** Values in the order of the keys that asked for them; null where there is none. */
export function inOrder<Key, Value>(
  keys: readonly Key[],
  values: readonly Value[],
  keyOf: (value: Value) => Key,
): (Value | null)[] {
  const byKey = new Map(values.map((value) => [keyOf(value), value]))
  return keys.map((key) => byKey.get(key) ?? null)
}

/** Rows of many parents, sorted out by parent in the order of the parents. */
export function grouped<Row>(
  parents: readonly string[],
  rows: readonly Row[],
  parentOf: (row: Row) => string,
): readonly (readonly Row[])[] {
  const groups = new Map<string, Row[]>(parents.map((parent) => [parent, []]))
  for (const row of rows) groups.get(parentOf(row))?.push(row)
  return parents.map((parent) => groups.get(parent) ?? [])
}

/** The answer, or null where the thing asked for by its key is not there. */
export async function orNull<Value>(read: Promise<Value>): Promise<Value | null> {
  try {
    return await read
  } catch (error) {
    if (error instanceof Problem && error.status === 404) return null
    throw error
  }
}
