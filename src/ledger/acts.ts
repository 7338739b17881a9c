import type { Act } from '../platform/gate.ts'
import { type EntryContent, ledgerRow } from './entry.ts'
import { insertEntry } from './store.ts'

/** What an entry is written with: an act, or a transaction that is none but is recorded all the same. */
export type Recording = Pick<Act, 'sql' | 'ids' | 'at' | 'key'>

/**
 * Appends the ledger entry of an act, in the act's own transaction: if the entry cannot be written, the act does not
 * happen. Facts hold ids, digests, instants and reasons, never a person's name.
 */
export async function recordEntry(
  act: Recording,
  entry: Omit<EntryContent, 'entryId' | 'recordedAt' | 'key'>,
): Promise<void> {
  const entryId = act.ids.mint(act.at)
  await insertEntry(act, entryId, ledgerRow({ entryId, recordedAt: act.at, key: act.key, ...entry }))
}
