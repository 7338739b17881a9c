import { type Actor, actorName } from '../../access/words.ts'
import { recordEntry } from '../../ledger/acts.ts'
import type { Database } from '../../platform/database/pool.ts'
import type { Sql } from '../../platform/database/sql.ts'
import { type Act, runAct } from '../../platform/gate.ts'
import { fieldInvalid, Problem, type ProblemError } from '../../platform/problems.ts'
import { requireDigest, requireHigherNumber, requireMove, withAuthor } from '../../platform/versioned.ts'
import { getVersion } from '../../products/reads.ts'
import type { ProductVersion, Submission } from '../../products/words.ts'
import { checkPlanContent } from '../content-check.ts'
import { answerRevision } from '../reads.ts'
import { readRuleBook, readRulesVersion } from '../reads-rules.ts'
import {
  moves,
  nameOf,
  type Revision,
  type RevisionKey,
  type RevisionRecord,
  requireNoneBlocking,
  revisionNotFound,
  versioned,
} from '../record.ts'
import { checkContent, type RuleBook } from '../replay.ts'
import {
  insertRevision,
  markSubmitted,
  type PlanFacts,
  replaceContent,
  selectPlanFacts,
  selectRevision,
  selectSites,
} from '../store.ts'
import { insertChecks } from '../store-checks.ts'
import { changeReasonMissing, type PlanContent, type RevisionDraft } from '../words.ts'

/** What the acts of this room use. */
export interface PlanServices {
  readonly database: Database
}

/** Tries where rules are published while a revision is being checked for an act. */
export const TRIES_MAX = 3

/** Writes the first or a later revision of a plan, as a draft. The first one makes the plan. */
export async function createRevision(
  services: PlanServices,
  actor: Actor,
  plan: string,
  draft: RevisionDraft,
): Promise<Revision> {
  const { content } = draft
  const key = { plan, revision: content.revision }
  requireFitting(draft, key)
  const author = actorName(actor)
  return runAct(services.database, async (act) => {
    const facts = await selectPlanFacts(act.sql, key)
    if (facts !== undefined) {
      requireHigherNumber(content.revision, { ...facts, name: nameOf(key), pointer: '/content/revision' })
      requireSamePlan(content, facts)
    }
    await requireSound(act, content)
    const record = await insertRevision(act, { content, changeReason: draft.changeReason ?? null, authors: [author] })
    await recordRevision(act, 'createRevision', author, record, {})
    return answerRevision(act.sql, record)
  })
}

/**
 * Puts other content in the place of a draft's; whoever does becomes an author as well.
 * @param requireMatch throws unless the caller saw the content with this digest
 */
export async function replaceRevision(
  services: PlanServices,
  actor: Actor,
  key: RevisionKey,
  draft: RevisionDraft,
  requireMatch: (digest: string) => void,
): Promise<Revision> {
  const { content } = draft
  requireFitting(draft, key)
  const author = actorName(actor)
  return runAct(services.database, async (act) => {
    const current = await findRevision(act.sql, key)
    requireMatch(current.digest)
    if (current.state !== 'draft') {
      throw new Problem('revision-locked', { detail: `Revision ${key.revision} of ${key.plan} is ${current.state}.` })
    }
    const facts = await selectPlanFacts(act.sql, key)
    if (facts === undefined) throw new Error(`the plan ${key.plan} has a revision but is not there`)
    requireSamePlan(content, facts)
    await requireSound(act, content)
    const authors = withAuthor(current.authors, author)
    const record = await replaceContent(act, { content, changeReason: draft.changeReason ?? null, authors })
    await recordRevision(act, 'replaceRevision', author, record, { before: current.digest })
    return answerRevision(act.sql, record)
  })
}

/**
 * Freezes a draft for the second person. It is checked first, with all that is published: one that would be blocked at
 * this instant is refused with its findings.
 */
export async function submitRevision(
  services: PlanServices,
  actor: Actor,
  key: RevisionKey,
  submission: Submission,
): Promise<Revision> {
  const { database } = services
  const by = actorName(actor)
  const { product } = await findRevision(database.sql, key)
  for (let tries = 0; tries < TRIES_MAX; tries += 1) {
    // Read and compiled before the gate is taken, so that uploads do not wait for it.
    const book = await readRuleBook(database, database.sql, await readRulesVersion(database.sql), [product])
    const answer = await runAct(database, (act) => submitUnder(act, book, { key, by, submission }))
    if (answer !== 'rules-changed') return answer
  }
  throw rulesChanged(key)
}

async function submitUnder(
  act: Act,
  book: RuleBook,
  asked: { readonly key: RevisionKey; readonly by: string; readonly submission: Submission },
): Promise<Revision | 'rules-changed'> {
  const { key, by } = asked
  if (act.rulesVersion !== book.rulesVersion) return 'rules-changed'
  const current = await findRevision(act.sql, key)
  const state = requireMove(moves, 'submitRevision', versioned(current))
  requireDigest(versioned(current), asked.submission?.digest)
  const check = checkContent(current, book, act.at)
  requireNoneBlocking(key, check.findings, act.at)
  const record = await markSubmitted(act, key, { state, by })
  await insertChecks(act.sql, [{ ...key, check, blocks: [] }], { rulesVersion: act.rulesVersion, at: act.at })
  await recordRevision(act, 'submitRevision', by, record, { rulesVersion: act.rulesVersion })
  return answerRevision(act.sql, record)
}

/** @throws Problem `revision-not-found` */
export async function findRevision(sql: Sql, key: RevisionKey): Promise<RevisionRecord> {
  const record = await selectRevision(sql, key)
  if (record === undefined) throw revisionNotFound(key)
  return record
}

export function rulesChanged(key: RevisionKey): Problem {
  return new Problem('rules-changed', {
    detail: `Rules were published again and again while ${nameOf(key)} was being checked. Try again.`,
  })
}

/** The ledger entry of an act on a revision; and whoever knows something of the revision is to read it anew. */
export async function recordRevision(
  act: Act,
  action: string,
  by: string,
  record: RevisionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<void> {
  const name = `${record.plan}/${record.revision}`
  act.touch('revision', name, 'all')
  await recordEntry(act, { action, by, subject: `plan/${name}`, facts: { digest: record.digest, ...facts } })
}

/** @throws Problem `field-invalid` naming every field that does not fit the path */
function requireFitting(draft: RevisionDraft, key: RevisionKey): void {
  const errors: ProblemError[] = []
  if (draft.content.plan !== key.plan) {
    errors.push({ pointer: '/content/plan', detail: `The path names the plan ${key.plan}.` })
  }
  if (draft.content.revision !== key.revision) {
    errors.push({ pointer: '/content/revision', detail: `The path names the revision ${key.revision}.` })
  }
  if (changeReasonMissing(draft)) {
    errors.push({ pointer: '/changeReason', code: 'field-missing', detail: 'A revision above 1 says why it differs.' })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

/** A plan stays one for its product and operation; another product or operation has another plan. */
function requireSamePlan(content: PlanContent, { product, operation }: PlanFacts): void {
  const errors: ProblemError[] = []
  if (content.product !== product) {
    errors.push({ pointer: '/content/product', detail: `The plan is for the product ${product}.` })
  }
  if (content.operation !== operation) {
    errors.push({ pointer: '/content/operation', detail: `The plan is for the operation ${operation}.` })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

/** @throws Problem `field-invalid` naming every field at fault */
async function requireSound(act: Act, content: PlanContent): Promise<void> {
  const version = await findVersion(act, content)
  const errors: ProblemError[] = []
  if (version.digest !== content.productDigest) {
    const detail = `Version ${version.version} of ${version.product} has the digest ${version.digest}.`
    errors.push({ pointer: '/content/productDigest', code: 'digest-mismatch', detail })
  }
  const sites = await selectSites(act.sql)
  content.sites?.forEach((site, index) => {
    if (sites.includes(site)) return
    errors.push({ pointer: `/content/sites/${index}`, code: 'reference-unknown', detail: `There is no site ${site}.` })
  })
  for (const { pointer, code, message } of checkPlanContent(content, version.content)) {
    errors.push({ pointer: `/content${pointer}`, code, detail: message })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

async function findVersion(act: Act, { product, productVersion }: PlanContent): Promise<ProductVersion> {
  try {
    return await getVersion(act.sql, product, productVersion)
  } catch (error) {
    if (!(error instanceof Problem) || error.key !== 'version-not-found') throw error
    throw fieldInvalid('/content/productVersion', error.message, 'reference-unknown')
  }
}
