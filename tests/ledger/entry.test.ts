import { createHash } from 'node:crypto'
import canonicalize from 'canonicalize'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type EntryContent, leafHash, ledgerRow, merkleRoot } from '../../src/ledger/entry.ts'
import { instant } from '../support/clock.ts'
// The file names its source: RFC 6962 section 2.1, with the vectors of its reference implementation.
import vectors from './vectors/merkle-rfc6962.json' with { type: 'json' }

const leaves = vectors.data.leafInputsHex.map((hex) => leafHash(Buffer.from(hex, 'hex')))
const hexOf = (hash: Buffer) => hash.toString('hex')

describe('the Merkle tree of RFC 6962, against its published vectors', () => {
  test('leaves', () => {
    expect(leaves.map(hexOf)).toEqual(vectors.expected.leafHashes)
    expect(hexOf(leafHash(Buffer.from('L123456')))).toBe(vectors.expected.single.leaf_L123456)
  })

  test('a node over two', () => {
    expect(hexOf(merkleRoot([Buffer.from('N123'), Buffer.from('N456')]))).toBe(vectors.expected.single.node_N123_N456)
  })

  test.each(vectors.expected.rootsBySize.map((root, size) => [size, root] as const))(
    'the root over %i',
    (size, root) => {
      expect(hexOf(merkleRoot(leaves.slice(0, size)))).toBe(root)
    },
  )

  test('nothing has the root of no bytes', () => {
    expect(hexOf(merkleRoot([]))).toBe(vectors.expected.emptyRoot)
  })
})

test('the three leaves of the room README', () => {
  const three = ['entry 1', 'entry 2', 'entry 3'].map((text) => leafHash(Buffer.from(text)))
  expect(three.map((leaf) => hexOf(leaf).slice(0, 8))).toEqual(['2dfb36c6', '57c79f4f', '61ca1139'])
  expect(hexOf(merkleRoot(three.slice(0, 2)))).toMatch(/^e59cf729/)
  expect(hexOf(merkleRoot(three))).toMatch(/^ae890d07.*224f75$/)
})

/** The tree as the RFC defines it, the split found by doubling. */
function rootByDefinition(hashes: readonly Buffer[]): Buffer {
  const [only] = hashes
  if (hashes.length === 1 && only !== undefined) return only
  let split = 1
  while (split * 2 < hashes.length) split *= 2
  const [left, right] = [rootByDefinition(hashes.slice(0, split)), rootByDefinition(hashes.slice(split))]
  return createHash('sha256').update('\u0001').update(left).update(right).digest()
}

test('the root is that of the definition at every size, and changes with every leaf', () => {
  fc.assert(
    fc.property(
      fc.array(fc.uint8Array({ maxLength: 8 }), { minLength: 1, maxLength: 300 }),
      fc.nat(),
      (inputs, pick) => {
        const hashes = inputs.map(leafHash)
        const root = merkleRoot(hashes)
        expect(root).toEqual(rootByDefinition(hashes))
        const at = pick % hashes.length
        const other = hashes.with(at, leafHash(Buffer.from(`other than ${at}`)))
        expect(merkleRoot(other)).not.toEqual(root)
      },
    ),
    { numRuns: 50 },
  )
})

const entry: EntryContent = {
  entryId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f10',
  recordedAt: instant('2026-03-16T09:14:42.212Z'),
  action: 'revokeKey',
  by: 'P-0102',
  key: 'qrstuvwxyz234567',
  subject: 'keys/abcdefghijklmnop',
  facts: { reason: 'station scrapped' },
}

describe('the stored form of an entry', () => {
  test('is one line of canonical text that says its own form', () => {
    expect(ledgerRow(entry).content).toBe(
      '{"action":"revokeKey","by":"P-0102","entryId":"019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f10",' +
        '"facts":{"reason":"station scrapped"},"format":"ledger-entry/1","key":"qrstuvwxyz234567",' +
        '"recordedAt":"2026-03-16T09:14:42.212Z","subject":"keys/abcdefghijklmnop"}',
    )
  })

  test('has no key where the service itself acted', () => {
    expect(JSON.parse(ledgerRow({ ...entry, by: 'service', key: null }).content)).not.toHaveProperty('key')
  })

  test('has the leaf hash of its bytes in UTF-8', () => {
    const row = ledgerRow({ ...entry, facts: { reason: 'Prüfplatz \u{1f50c} außer Betrieb' } })
    const bytes = Buffer.concat([Buffer.of(0), Buffer.from(row.content, 'utf8')])
    expect(row.leafHash).toBe(createHash('sha256').update(bytes).digest('hex'))
  })

  test('does not hang on the order in which members were given; null members are left out', () => {
    const one = { ...entry, facts: { site: 'leeds', roles: ['author'], person: null } }
    const { facts, ...rest } = entry
    const other = { facts: { ...facts, reason: undefined, roles: ['author'], site: 'leeds' }, ...rest }
    expect(ledgerRow(one)).toEqual(ledgerRow(other))
  })

  test('is RFC 8785, as the reference implementation writes it, and hangs on everything that is said', () => {
    const text = fc.string({ unit: 'grapheme', maxLength: 20 })
    fc.assert(
      fc.property(text, text, fc.dictionary(text, fc.oneof(text, fc.array(text))), (by, subject, facts) => {
        const { content } = ledgerRow({ ...entry, by, subject, facts })
        const { recordedAt, ...said } = { ...entry, by, subject, facts }
        const at = new Date(recordedAt).toISOString()
        expect(content).toBe(canonicalize({ ...said, recordedAt: at, format: 'ledger-entry/1' }))
      }),
    )
    const rows = [
      entry,
      { ...entry, by: 'P-0103' },
      { ...entry, action: 'issueKey' },
      { ...entry, key: 'qrstuvwxyz234566' },
      { ...entry, subject: 'keys/b' },
      { ...entry, recordedAt: entry.recordedAt + 1 },
      { ...entry, facts: { reason: 'station scrapped.' } },
      { ...entry, entryId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f11' },
    ].map((one) => ledgerRow(one).leafHash)
    expect(new Set(rows).size).toBe(rows.length)
  })
})
