import { setImmediate as nextTurn } from 'node:timers/promises'
import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { compileTable, type TableRefusal } from './compile-table.ts'
import { type EditionKey, type EditionRecord, editionNotFound, nameOf } from './record.ts'
import { selectEdition } from './store.ts'
import type { TableVerification } from './verify/report.ts'
import { verifyTable } from './verify/verify-table.ts'

/** What verifying stored content found; or why it does not compile, so that there is nothing to verify. */
export type Verification = TableVerification | { readonly refusals: readonly TableRefusal[] }

/** Verifications kept, by the digest of what they verified: content of one digest never changes. */
const KEPT_MAX = 32
const kept = new Map<string, Promise<Verification>>()

/** One at a time, so that however many are asked for, others wait no longer than for one step of one of them. */
let last: Promise<unknown> = Promise.resolve()

/** Verifies content, giving way to other requests as it goes; what is being verified already is not begun again. */
export function verify(record: Pick<EditionRecord, 'digest' | 'content'>): Promise<Verification> {
  const { digest } = record
  const known = kept.get(digest)
  if (known) return known
  const running = last.then(() => search(record))
  last = running.catch(() => kept.delete(digest)) // Whoever asked hears of it; the next one does not.
  kept.set(digest, running)
  const [oldest] = kept.keys()
  if (kept.size > KEPT_MAX && oldest !== undefined) kept.delete(oldest)
  return running
}

async function search({ digest, content }: Pick<EditionRecord, 'digest' | 'content'>): Promise<Verification> {
  const compiled = compileTable(content)
  if ('refusals' in compiled) return compiled
  const steps = verifyTable(content, compiled.table)
  for (;;) {
    await nextTurn()
    const step = steps.next()
    if (step.done) return { digest, ...step.value }
  }
}

/** The verification of an edition; null where its content does not compile. */
export async function verifyEdition(
  edition: Pick<EditionRecord, 'digest' | 'content'>,
): Promise<TableVerification | null> {
  const verification = await verify(edition)
  return 'refusals' in verification ? null : verification
}

/**
 * The verification of an edition as it is stored now, drafts included.
 * @throws Problem `edition-not-found`
 * @throws Problem `state-conflict` where the content no longer compiles
 */
export async function getVerification(sql: Sql, key: EditionKey): Promise<TableVerification> {
  const record = await selectEdition(sql, key.table, key.edition)
  if (record === undefined) throw editionNotFound(key)
  const verification = await verifyEdition(record)
  if (verification) return verification
  throw new Problem('state-conflict', { detail: `The content of ${nameOf(key)} does not compile any more.` })
}
