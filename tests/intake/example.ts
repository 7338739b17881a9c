import { readFileSync } from 'node:fs'

// biome-ignore lint/suspicious/noExplicitAny: wire documents are taken apart and changed by tests.
export type Wire = any

/** The bytes of the worked example of the wire contract (an upload of one EX36-3M), as text. */
export const exampleText: string = readFileSync(
  new URL('../exact/vectors/upload-lds-f2-0007315.json', import.meta.url),
  'utf8',
)

/** The worked example after a change. A fresh copy at every call. */
export function example(change: (wire: Wire) => void = () => {}): Wire {
  const wire = JSON.parse(exampleText)
  change(wire)
  return wire
}

/** A body in the bytes it is sent in. */
export function bytesOf(body: unknown): Buffer {
  return Buffer.from(typeof body === 'string' ? body : JSON.stringify(body), 'utf8')
}

/** The example's text with one piece replaced by another; the piece must be there once. */
export function replaced(piece: string, by: string): string {
  const parts = exampleText.split(piece)
  if (parts.length !== 2) throw new Error(`${piece} is there ${parts.length - 1} times`)
  return parts.join(by)
}

/** Every member and item of a document, with what holds it. */
export function placesOf(value: Wire): { parent: Wire; member: string }[] {
  if (typeof value !== 'object' || value === null) return []
  return Object.keys(value).flatMap((member) => [{ parent: value, member }, ...placesOf(value[member])])
}
