import { createHash } from 'node:crypto'
import { canonicalText } from '../exact/canonical.ts'
import { writeInstant } from '../exact/time.ts'

/**
 * One act or one commit of uploads, as it enters the ledger. Facts hold ids, digests, instants and reasons; a person's
 * name never enters it, so that names can be erased without breaking a hash.
 */
export interface EntryContent {
  readonly entryId: string
  readonly recordedAt: number
  /** The verb of the act, the same word as its operationId. */
  readonly action: string
  /** The person or key that did it. */
  readonly by: string
  /** The access key that it was done with; null where the service itself acted. */
  readonly key: string | null
  readonly subject: string
  readonly facts: Readonly<Record<string, unknown>>
}

/** An entry as stored: canonical text, never jsonb, since the hash is taken over these bytes. */
export interface LedgerRow {
  readonly content: string
  readonly leafHash: string
}

// RFC 6962 section 2.1: leaves and nodes are hashed under different first bytes, so that a node never passes for a leaf.
const LEAF = Uint8Array.of(0)
const NODE = Uint8Array.of(1)

// Changes when the form of an entry does, so that a hash says which form it was taken over.
export const FORMAT = 'ledger-entry/1'

/** The house: acts of governance stand under this in place of a site. */
export const HOUSE = '*'

/** The stored form of an entry and its leaf hash (RFC 8785 text, RFC 6962 leaf, hex). */
export function ledgerRow(entry: EntryContent): LedgerRow {
  const { recordedAt, ...rest } = entry
  const content = canonicalText({ format: FORMAT, ...rest, recordedAt: writeInstant(recordedAt) })
  return { content, leafHash: leafHash(Buffer.from(content, 'utf8')).toString('hex') }
}

/** The hash of one leaf (RFC 6962 section 2.1). */
export function leafHash(bytes: Uint8Array): Buffer {
  return createHash('sha256').update(LEAF).update(bytes).digest()
}

/** The Merkle tree hash over leaf hashes (RFC 6962 section 2.1): what one entry says of a whole commit of uploads. */
export function merkleRoot(leaves: readonly Buffer[]): Buffer {
  const [first] = leaves
  if (first === undefined) return createHash('sha256').digest()
  if (leaves.length === 1) return first
  // The left part is the largest power of two smaller than the number of leaves.
  const split = 2 ** (Math.ceil(Math.log2(leaves.length)) - 1)
  return createHash('sha256')
    .update(NODE)
    .update(merkleRoot(leaves.slice(0, split)))
    .update(merkleRoot(leaves.slice(split)))
    .digest()
}
