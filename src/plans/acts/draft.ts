import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { recordEntry } from '../../ledger/acts.ts'
import type { Database } from '../../platform/database/pool.ts'
import type { Sql } from '../../platform/database/sql.ts'
import type { Act } from '../../platform/gate.ts'
import { Problem, type ProblemError } from '../../platform/problems.ts'
import { firstState, requireHigherNumber, requireMove, type Versioned, withAuthor } from '../../platform/versioned.ts'
import { draftErrors, type Submission } from '../../platform/versioned-words.ts'
import { begunLater, type RevisionCheck } from '../check.ts'
import { lifecycle, type RevisionAction } from '../lifecycle.ts'
import { answerRevision } from '../reads.ts'
import { readRuleBook, readRulesNow } from '../reads-rules.ts'
import {
  nameOf,
  type Revision,
  type RevisionKey,
  type RevisionRecord,
  requireNoneBlocking,
  revisionNotFound,
} from '../record.ts'
import { checkContent } from '../replay.ts'
import {
  insertRevision,
  markSubmitted,
  type PlanFacts,
  replaceContent,
  selectPlanFacts,
  selectRevision,
} from '../store.ts'
import { insertChecks } from '../store-checks.ts'
import type { PlanContent, RevisionDraft, RevisionState } from '../words.ts'
import { findUnsound, requireSound } from './soundness.ts'

/** What the acts of this room use. */
export interface PlanServices {
  readonly database: Database
}

/** Tries where rules are published while a revision is being checked for an act. */
export const TRIES_MAX = 3

/** Writes the first or a later revision of a plan, as a draft. The first one makes the plan. */
export async function createRevision(
  services: PlanServices,
  actor: PersonActor,
  plan: string,
  draft: RevisionDraft,
): Promise<Revision> {
  const { content } = draft
  const key = { plan, revision: content.revision }
  requireFitting(draft, key)
  const unsound = await findUnsound(services.database.sql, content)
  return runActOf(services.database, actor, async (act) => {
    const facts = await selectPlanFacts(act.sql, key)
    if (facts !== undefined) {
      requireHigherNumber(content.revision, { ...facts, name: nameOf(key), pointer: '/content/revision' })
      requireSamePlan(content, facts)
    }
    await requireSound(act.sql, content, unsound)
    const state = firstState(lifecycle, 'createRevision')
    const record = await insertRevision(act, { ...written(draft), state, authors: [actor.person] })
    await recordRevision(act, 'createRevision', actor, record, {})
    return answerRevision(act.sql, record)
  })
}

/**
 * Puts other content in the place of a draft's; whoever does becomes an author as well.
 * @param requireMatch throws unless the caller saw the content with this digest
 */
export async function replaceRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  draft: RevisionDraft,
  requireMatch: (digest: string) => void,
): Promise<Revision> {
  const { content } = draft
  requireFitting(draft, key)
  const unsound = await findUnsound(services.database.sql, content)
  const by = actor.person
  return runActOf(services.database, actor, async (act) => {
    const current = await findRevision(act.sql, key)
    requireMatch(current.digest)
    requireMove(lifecycle, 'replaceRevision', current, { by })
    const facts = await selectPlanFacts(act.sql, key)
    if (facts === undefined) throw new Error(`the plan ${key.plan} has a revision but is not there`)
    requireSamePlan(content, facts)
    await requireSound(act.sql, content, unsound)
    const record = await replaceContent(act, { ...written(draft), authors: withAuthor(current.authors, by) })
    await recordRevision(act, 'replaceRevision', actor, record, { before: current.digest })
    return answerRevision(act.sql, record)
  })
}

/**
 * Freezes a draft for the second person. It is checked first, with all that is published: one that would be blocked at
 * this instant is refused with its findings. Checked before the gate is taken, since uploads wait behind it; under the
 * gate it is only asked whether content, rules and time are still those that were checked.
 */
export async function submitRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  submission: Submission,
  /** What else is written with it, in the same transaction; what it gives is said in the ledger entry. */
  underAct: (act: Act, record: RevisionRecord) => Promise<Readonly<Record<string, unknown>>> = async () => ({}),
): Promise<Revision> {
  const { database } = services
  for (let tries = 0; tries < TRIES_MAX; tries += 1) {
    const checked = await checkDraft(database, await findRevision(database.sql, key))
    const answer = await runActOf(database, actor, async (act) => {
      const record = await submitUnder(act, checked, { key, actor, submission })
      if (record === 'rules-changed') return record
      const facts = await underAct(act, record)
      await recordRevision(act, 'submitRevision', actor, record, { rulesVersion: act.rulesVersion, ...facts })
      return answerRevision(act.sql, record)
    })
    if (answer !== 'rules-changed') return answer
  }
  throw rulesChanged(key)
}

/** A draft's check, and what it was made by. */
interface CheckedDraft {
  readonly digest: string
  readonly rulesVersion: number
  /** The instant from which on it was checked. */
  readonly at: number
  readonly check: RevisionCheck
}

async function checkDraft(database: Database, record: RevisionRecord): Promise<CheckedDraft> {
  const { rulesVersion, at } = await readRulesNow(database)
  const book = await readRuleBook(database, database.sql, rulesVersion, [record.product])
  return { digest: record.digest, rulesVersion, at, check: checkContent(record, book, at) }
}

async function submitUnder(
  act: Act,
  checked: CheckedDraft,
  asked: { readonly key: RevisionKey; readonly actor: PersonActor; readonly submission: Submission },
): Promise<RevisionRecord | 'rules-changed'> {
  const { key, actor, submission } = asked
  const by = actor.person
  const current = await findRevision(act.sql, key)
  const state = requireMove(lifecycle, 'submitRevision', current, { by, digest: submission?.digest })
  if (act.rulesVersion !== checked.rulesVersion || current.digest !== checked.digest) return 'rules-changed'
  const check = begunLater(checked.check, checked.at, act.at)
  if (check === undefined) return 'rules-changed'
  requireNoneBlocking(key, check.findings, act.at)
  const record = await markSubmitted(act, key, { state, by })
  await insertChecks(act.sql, [{ ...key, rulesVersion: act.rulesVersion, check, blocks: [] }], act.at)
  return record
}

/** @throws Problem `revision-not-found` */
export async function findRevision(sql: Sql, key: RevisionKey): Promise<RevisionRecord & Versioned<RevisionState>> {
  const record = await selectRevision(sql, key)
  if (record === undefined) throw revisionNotFound(key)
  return { ...record, name: nameOf(key) }
}

export function rulesChanged(key: RevisionKey): Problem {
  return new Problem('rules-changed', {
    detail: `Rules were published again and again while ${nameOf(key)} was being checked. Try again.`,
  })
}

/** The ledger entry of an act on a revision; and whoever knows something of the revision is to read it anew. */
export async function recordRevision(
  act: Act,
  action: RevisionAction,
  { person: by }: PersonActor,
  { plan, revision, digest }: RevisionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<void> {
  act.touch('revision', `${plan}/${revision}`, 'all')
  const subject = `plans/${plan}/revisions/${revision}`
  await recordEntry(act, { action, by, subject, facts: { digest, ...facts } })
}

/** @throws Problem `field-invalid` naming every field that does not fit the path */
function requireFitting(draft: RevisionDraft, { plan, revision }: RevisionKey): void {
  const errors = draftErrors(draft, { plan, revision }, revision)
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
}

function written({ content, changeReason }: RevisionDraft) {
  return { content, changeReason: changeReason ?? null }
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
