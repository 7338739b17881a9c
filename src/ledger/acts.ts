import type { Act } from '../platform/gate.ts'
import { type EntryContent, ledgerRow } from './entry.ts'
import { insertEntry } from './store.ts'

/**
 * Appends the ledger entry of an act, in the act's own transaction: if the entry cannot be written, the act does not
 * happen. Facts hold ids, digests, instants and reasons, never a person's name.
 */
export async function recordEntry(act: Act, entry: Omit<EntryContent, 'entryId' | 'recordedAt'>): Promise<void> {
  const entryId = act.ids.mint(act.at)
  await insertEntry(act, entryId, ledgerRow({ entryId, recordedAt: act.at, ...entry }))
}
