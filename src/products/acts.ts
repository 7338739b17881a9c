import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { Problem, requireText } from '../platform/problems.ts'
import { firstState, requireHigherNumber, requireMove, type Versioned, withAuthor } from '../platform/versioned.ts'
import { draftErrors, readEffect, type Submission } from '../platform/versioned-words.ts'
import { checkProductContent } from './content.ts'
import { lifecycle, type VersionAction } from './lifecycle.ts'
import { answerVersion } from './reads.ts'
import { nameOf, type VersionKey, type VersionRecord, versionNotFound } from './record.ts'
import { insertVersion, markConfirmed, markSubmitted, replaceContent, selectNumbers, selectVersion } from './store.ts'
import type { Confirmation, ProductContent, ProductVersion, VersionDraft, VersionState } from './words.ts'

/** What the acts of this room use. */
export interface ProductServices {
  readonly database: Database
  /** Called after a commit that changed the rules, so that live revisions are checked soon; it would happen anyway. */
  readonly nudgeSweep?: (() => void) | undefined
}

/** Writes the first or a later version of a product, as a draft. The first one makes the product. */
export async function createVersion(
  services: ProductServices,
  actor: PersonActor,
  product: string,
  draft: VersionDraft,
): Promise<ProductVersion> {
  const key = { product, version: draft.content.version }
  requireSound(draft, key)
  return runActOf(services.database, actor, async (act) => {
    const numbers = await selectNumbers(act.sql, key)
    requireHigherNumber(key.version, { ...numbers, name: nameOf(key), pointer: '/content/version' })
    const state = firstState(lifecycle, 'createVersion')
    const record = await insertVersion(act, { ...written(draft), state, authors: [actor.person] })
    return entered(act, 'createVersion', actor, record, {})
  })
}

/**
 * Puts other content in the place of a draft's; whoever does becomes an author as well.
 * @param requireMatch throws unless the caller saw the content with this digest
 */
export async function replaceVersion(
  services: ProductServices,
  actor: PersonActor,
  key: VersionKey,
  draft: VersionDraft,
  requireMatch: (digest: string) => void,
): Promise<ProductVersion> {
  requireSound(draft, key)
  const by = actor.person
  return runActOf(services.database, actor, async (act) => {
    const current = await findVersion(act, key)
    requireMatch(current.digest)
    requireMove(lifecycle, 'replaceVersion', current, { by })
    const record = await replaceContent(act, { ...written(draft), authors: withAuthor(current.authors, by) })
    return entered(act, 'replaceVersion', actor, record, { before: current.digest })
  })
}

/** Freezes a draft for the second person to read. */
export async function submitVersion(
  services: ProductServices,
  actor: PersonActor,
  key: VersionKey,
  submission: Submission,
): Promise<ProductVersion> {
  const by = actor.person
  return runActOf(services.database, actor, async (act) => {
    const current = await findVersion(act, key)
    const state = requireMove(lifecycle, 'submitVersion', current, { by, digest: submission?.digest })
    return entered(act, 'submitVersion', actor, await markSubmitted(act, key, { state, by }), {})
  })
}

/**
 * The second person's signature: the version takes effect at the instant given, and from this commit on no run counts
 * against a revision that has not been checked with it.
 */
export async function confirmVersion(
  services: ProductServices,
  actor: PersonActor,
  key: VersionKey,
  confirmation: Confirmation,
): Promise<ProductVersion> {
  const by = actor.person
  const { digest, meaning } = confirmation
  const asked = readEffect(confirmation.effectiveFrom ?? 'at-once', '/effectiveFrom')
  requireText(meaning, '/meaning')
  const answer = await runActOf(services.database, actor, async (act) => {
    const current = await findVersion(act, key)
    const state = requireMove(lifecycle, 'confirmVersion', current, { by, digest })
    requireSoundContent(current.content, '')
    const effectiveFrom = act.effectiveAt(asked, '/effectiveFrom')
    const rulesVersion = act.raiseRules()
    const record = await markConfirmed(act, key, { state, by, meaning, effectiveFrom, rulesVersion })
    act.touch('product', key.product, 'all')
    // Keys of tables hold no slash, so this names no table.
    act.touch('rules', `product/${key.product}`, 'all')
    const facts = { meaning, effectiveFrom: writeInstant(effectiveFrom), rulesVersion }
    return entered(act, 'confirmVersion', actor, record, facts)
  })
  services.nudgeSweep?.()
  return answer
}

/** @throws Problem `field-invalid` naming every field at fault */
function requireSound(draft: VersionDraft, { product, version }: VersionKey): void {
  const errors = draftErrors(draft, { product, version }, version)
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
  requireSoundContent(draft.content, '/content')
}

function requireSoundContent(content: ProductContent, pointer: string): void {
  const errors = checkProductContent(content).map((refusal) => ({ ...refusal, pointer: pointer + refusal.pointer }))
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

/** @throws Problem `version-not-found` */
export async function findVersion(act: Act, key: VersionKey): Promise<VersionRecord & Versioned<VersionState>> {
  const current = await selectVersion(act.sql, key.product, key.version)
  if (current === undefined) throw versionNotFound(key)
  return { ...current, name: nameOf(key) }
}

function written({ content, changeReason }: VersionDraft) {
  return { product: content.product, version: content.version, content, changeReason: changeReason ?? null }
}

/** Enters an act in the ledger, and answers with what it left. */
export async function entered(
  act: Act,
  action: VersionAction,
  { person: by }: PersonActor,
  record: VersionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<ProductVersion> {
  const subject = `products/${record.product}/versions/${record.version}`
  await recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
  return answerVersion(act.sql, record)
}
