import type { PersonActor } from '../access/words.ts'
import { readInstant, writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import { type Act, runAct } from '../platform/gate.ts'
import { fieldInvalid, Problem, type ProblemError } from '../platform/problems.ts'
import {
  requireDigest,
  requireHigherNumber,
  requireMove,
  requireOtherThanAuthors,
  stateAfter,
  type Versioned,
  withAuthor,
} from '../platform/versioned.ts'
import { checkProductContent } from './content.ts'
import { type VersionRecord, versionNotFound, writeVersion } from './record.ts'
import { insertVersion, markConfirmed, markSubmitted, replaceContent, selectNumbers, selectVersion } from './store.ts'
import {
  type Confirmation,
  changeReasonMissing,
  type ProductContent,
  type ProductVersion,
  type Submission,
  type VersionDraft,
  type VersionState,
  versionLifecycle,
} from './words.ts'

/** What the acts of this room use. */
export interface ProductServices {
  readonly database: Database
  /** Called after a commit that changed the rules, so that live revisions are checked soon; it would happen anyway. */
  readonly nudgeSweep?: (() => void) | undefined
}

export interface VersionKey {
  readonly product: string
  readonly version: number
}

/** Writes the first or a later version of a product, as a draft. The first one makes the product. */
export async function createVersion(
  services: ProductServices,
  actor: PersonActor,
  product: string,
  draft: VersionDraft,
): Promise<ProductVersion> {
  const { content } = draft
  requireSound(draft, { product, version: content.version })
  const author = actor.person
  return runAct(services.database, async (act) => {
    const { highest, isTaken } = await selectNumbers(act.sql, product, content.version)
    const name = nameOf({ product, version: content.version })
    requireHigherNumber(content.version, { highest, isTaken, name, pointer: '/content/version' })
    const record = await insertVersion(act, { ...written(draft), authors: [author] })
    await recordVersion(act, 'createVersion', author, record, {})
    return writeVersion(record)
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
  const author = actor.person
  return runAct(services.database, async (act) => {
    const current = await findVersion(act, key)
    requireMatch(current.digest)
    if (stateAfter(versionLifecycle, 'replaceVersion', current.state) === undefined) {
      throw new Problem('version-locked', { detail: `Version ${key.version} of ${key.product} is ${current.state}.` })
    }
    const record = await replaceContent(act, { ...written(draft), authors: withAuthor(current.authors, author) })
    await recordVersion(act, 'replaceVersion', author, record, { before: current.digest })
    return writeVersion(record)
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
  return runAct(services.database, async (act) => {
    const current = await findVersion(act, key)
    const state = requireMove(versionLifecycle, 'submitVersion', versioned(current))
    requireDigest(versioned(current), submission?.digest)
    const record = await markSubmitted(act, key, { state, by })
    await recordVersion(act, 'submitVersion', by, record, {})
    return writeVersion(record)
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
  const asked = readEffect(confirmation.effectiveFrom ?? 'at-once')
  if (confirmation.meaning.trim() === '') throw fieldInvalid('/meaning', 'must say something')
  const answer = await runAct(services.database, async (act) => {
    const current = await findVersion(act, key)
    const state = requireMove(versionLifecycle, 'confirmVersion', versioned(current))
    requireDigest(versioned(current), confirmation.digest)
    requireOtherThanAuthors(versioned(current), by)
    requireSoundContent(current.content, '')
    const effectiveFrom = act.effectiveAt(asked, '/effectiveFrom')
    const publishedVersion = act.raiseRules()
    const { meaning } = confirmation
    const record = await markConfirmed(act, key, { state, by, meaning, effectiveFrom, publishedVersion })
    act.touch('product', key.product, 'all')
    // Keys of tables hold no slash, so this names no table.
    act.touch('rules', `product/${key.product}`, 'all')
    await recordVersion(act, 'confirmVersion', by, record, {
      meaning,
      effectiveFrom: writeInstant(effectiveFrom),
      rulesVersion: publishedVersion,
    })
    return writeVersion(record)
  })
  services.nudgeSweep?.()
  return answer
}

function readEffect(effectiveFrom: string): number | 'at-once' {
  if (effectiveFrom === 'at-once') return effectiveFrom
  const read = readInstant(effectiveFrom)
  if ('refused' in read)
    throw fieldInvalid('/effectiveFrom', 'must be an instant with an offset, or at-once', read.refused)
  return read.at
}

/** @throws Problem `field-invalid` naming every field at fault */
function requireSound(draft: VersionDraft, key: VersionKey): void {
  const errors: ProblemError[] = []
  if (draft.content.product !== key.product) {
    errors.push({ pointer: '/content/product', detail: `The path names the product ${key.product}.` })
  }
  if (draft.content.version !== key.version) {
    errors.push({ pointer: '/content/version', detail: `The path names the version ${key.version}.` })
  }
  if (changeReasonMissing(draft)) {
    errors.push({ pointer: '/changeReason', code: 'field-missing', detail: 'A version above 1 says why it differs.' })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
  requireSoundContent(draft.content, '/content')
}

function requireSoundContent(content: ProductContent, pointer: string): void {
  const errors = checkProductContent(content).map((refusal) => ({ ...refusal, pointer: pointer + refusal.pointer }))
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

async function findVersion(act: Act, key: VersionKey): Promise<VersionRecord> {
  const current = await selectVersion(act.sql, key.product, key.version)
  if (current === undefined) throw versionNotFound(key.product, key.version)
  return current
}

function written({ content, changeReason }: VersionDraft) {
  return { product: content.product, version: content.version, content, changeReason: changeReason ?? null }
}

function versioned(record: VersionRecord): Versioned<VersionState> {
  return { name: nameOf(record), state: record.state, digest: record.digest, authors: record.authors }
}

function nameOf({ product, version }: VersionKey): string {
  return `version ${version} of ${product}`
}

function recordVersion(
  act: Act,
  action: string,
  by: string,
  record: VersionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<void> {
  const subject = `products/${record.product}/versions/${record.version}`
  return recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
}
