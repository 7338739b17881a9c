import { contractUpload, type Wire } from '../support/aldermoor.ts'

/** The worked example after a change. A fresh copy at every call. */
export function example(change: (wire: Wire) => void = () => {}): Wire {
  const wire = JSON.parse(contractUpload)
  change(wire)
  return wire
}

/** A body in the bytes it is sent in. */
export function bytesOf(body: unknown): Buffer {
  return Buffer.from(typeof body === 'string' ? body : JSON.stringify(body), 'utf8')
}

/** The example's text with one piece replaced by another; the piece must be there once. */
export function replaced(piece: string, by: string): string {
  const parts = contractUpload.split(piece)
  if (parts.length !== 2) throw new Error(`${piece} is there ${parts.length - 1} times`)
  return parts.join(by)
}

/** Every member and item of a document, with what holds it. */
export function placesOf(value: Wire): { parent: Wire; member: string }[] {
  if (typeof value !== 'object' || value === null) return []
  return Object.keys(value).flatMap((member) => [{ parent: value, member }, ...placesOf(value[member])])
}
