import { z } from 'zod'
import { readInstant } from '../exact/time.ts'
import { PlaceInstant } from '../platform/http/conventions.ts'
import type { Listing } from '../platform/http/graphql/connections.ts'
import { Problem } from '../platform/problems.ts'
import type { ListedUpload } from './answer-words.ts'

/** How the list of uploads is ordered and bounded in time, for REST and GraphQL alike. */

/** The order of the list: receipt and id. */
export const uploadsListing: Listing<ListedUpload, [number, string]> = {
  name: 'runs',
  place: z.tuple([PlaceInstant.min(0), z.uuid()]),
  placeOf: ({ receivedAt, runId }) => [instantOf(receivedAt), runId],
}

const DAY_MS = 86_400_000
const WINDOW_MS = 31 * DAY_MS

/**
 * The receipts asked for, from `from` on and before `to`, in milliseconds since the epoch: 31 days up to now where
 * nothing is said.
 * @throws Problem `parameter-invalid` where `from` lies after `to`
 */
export function uploadsWindow(
  asked: { readonly from: number | undefined; readonly to: number | undefined; readonly now: number },
  windowMs = WINDOW_MS,
): { from: number; to: number } {
  // One millisecond on: what was received within this one is shown too.
  const to = asked.to === undefined ? asked.now + 1 : sinceEpoch(asked.to)
  const from = sinceEpoch(asked.from ?? to - windowMs)
  if (from > to) {
    throw new Problem('parameter-invalid', {
      errors: [{ pointer: '/from', detail: '`from` lies after `to`.', code: 'range-reversed', in: 'query' }],
    })
  }
  return { from, to }
}

/**
 * The time that alerts are asked about: a day up to now where nothing is said.
 * @throws Problem `parameter-invalid` where `from` lies after `to`
 */
export function alertsWindow({ from, to, now }: { from?: string | undefined; to?: string | undefined; now: number }) {
  const asked = { from: from ? instantOf(from) : undefined, to: to ? instantOf(to) : undefined, now }
  return uploadsWindow(asked, DAY_MS)
}

/** Nothing was received before 1970, and the database holds no year 0. */
function sinceEpoch(at: number): number {
  return Math.max(at, 0)
}

/** The instant of text that a schema has let through. */
export function instantOf(text: string): number {
  const read = readInstant(text)
  if ('at' in read) return read.at
  throw new Error(`the schema let ${text} through, which is no instant`)
}
