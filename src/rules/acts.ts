import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { canonicalText } from '../exact/canonical.ts'
import { writeInstant } from '../exact/time.ts'
import { isXmlText } from '../exact/xml.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database, Sql } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem, type ProblemError, requireText } from '../platform/problems.ts'
import { firstState, requireHigherNumber, requireMove, type Versioned, withAuthor } from '../platform/versioned.ts'
import { draftErrors, readEffect, type Submission } from '../platform/versioned-words.ts'
import { compileTable, type TableRefusal } from './compile-table.ts'
import { type PublishedEdition, publishedImpact } from './impacts.ts'
import { type EditionAction, lifecycle } from './lifecycle.ts'
import { answerEdition } from './reads.ts'
import { verify } from './reads-verification.ts'
import {
  type Edition,
  type EditionKey,
  type EditionRecord,
  type EditionState,
  type EditionWarning,
  editionNotFound,
  nameOf,
} from './record.ts'
import {
  insertEdition,
  markPublished,
  markSubmitted,
  moveTable,
  replaceContent,
  selectEdition,
  selectTableFacts,
  type TableFacts,
} from './store.ts'
import { selectNewestImpact } from './store-impacts.ts'
import { refusalsOf, warningsOf } from './verify/verdict.ts'
import type { EditionContent, EditionDraft, PublicationRequest } from './words.ts'

/** What the acts of this room use. */
export interface RuleServices {
  readonly database: Database
  /** Called after a commit that changed the rules, so that live revisions are checked soon; it would happen anyway. */
  readonly nudgeSweep?: (() => void) | undefined
}

/** Writes the first or a later edition of a table, as a draft. The first one makes the table and its rule set. */
export async function createEdition(
  services: RuleServices,
  actor: PersonActor,
  table: string,
  draft: EditionDraft,
): Promise<Edition> {
  const { content } = draft
  const key = { table, edition: content.edition }
  requireSound(draft, key)
  return runActOf(services.database, actor, async (act) => {
    const facts = await selectTableFacts(act.sql, key)
    if (facts !== undefined) {
      requireHigherNumber(key.edition, { ...facts, name: nameOf(key), pointer: '/content/edition' })
      await keepTable(act, content, facts)
    }
    const state = firstState(lifecycle, 'createEdition')
    const record = await insertEdition(act, { ...written(draft), state, authors: [actor.person] })
    return entered(act, 'createEdition', actor, record, {})
  })
}

/**
 * Puts other content in the place of a draft's; whoever does becomes an author as well.
 * @param requireMatch throws unless the caller saw the content with this digest
 */
export async function replaceEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  draft: EditionDraft,
  requireMatch: (digest: string) => void,
): Promise<Edition> {
  requireSound(draft, key)
  const by = actor.person
  return runActOf(services.database, actor, async (act) => {
    const current = await findEdition(act, key)
    requireMatch(current.digest)
    requireMove(lifecycle, 'replaceEdition', current, { by })
    const facts = await selectTableFacts(act.sql, key)
    if (facts === undefined) throw new Error(`the table ${key.table} has an edition but is not there`)
    await keepTable(act, draft.content, facts)
    const record = await replaceContent(act, { ...written(draft), authors: withAuthor(current.authors, by) })
    return entered(act, 'replaceEdition', actor, record, { before: current.digest })
  })
}

/**
 * Freezes a draft for the second person to read. The table is verified as a table: what is wrong in it refuses, what is
 * only suspicious is kept as warnings.
 */
export async function submitEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  submission: Submission,
): Promise<Edition> {
  const by = actor.person
  const checked = await checkStored(services.database.sql, key)
  return runActOf(services.database, actor, async (act) => {
    const current = await findEdition(act, key)
    const state = requireMove(lifecycle, 'submitEdition', current, { by, digest: submission?.digest })
    const tableWarnings = requireChecked(current, checked)
    return entered(act, 'submitEdition', actor, await markSubmitted(act, key, { state, by, tableWarnings }), {})
  })
}

/**
 * The second person's signature: the edition takes effect at the instant given, and from this commit on no run counts
 * against a revision that has not been checked with it. What was found when its impact was asked for is repeated.
 */
export async function publishEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  request: PublicationRequest,
): Promise<PublishedEdition> {
  const by = actor.person
  const { digest, meaning, bindsBecause = null } = request
  const asked = readEffect(request.effectiveFrom, '/effectiveFrom')
  requireText(meaning, '/meaning')
  if (bindsBecause !== null) requireText(bindsBecause, '/bindsBecause')
  const checked = await checkStored(services.database.sql, key)
  const answer = await runActOf(services.database, actor, async (act) => {
    const current = await findEdition(act, key)
    const state = requireMove(lifecycle, 'publishEdition', current, { by, digest })
    const tableWarnings = requireChecked(current, checked)
    const effectiveFrom = act.effectiveAt(asked, '/effectiveFrom')
    const newest = await selectNewestImpact(act.sql, { ...key, digest })
    const at = { rulesVersion: act.rulesVersion, effectiveFrom: asked, bindsBecause }
    const impact = newest === undefined ? null : publishedImpact(newest, at)
    const rulesVersion = act.raiseRules()
    const record = await markPublished(act, key, {
      state,
      by,
      meaning,
      effectiveFrom,
      bindsBecause,
      rulesVersion,
      tableWarnings,
    })
    act.touch('rules', key.table, 'all')
    const facts = { meaning, bindsBecause, effectiveFrom: writeInstant(effectiveFrom), rulesVersion, impact }
    return { ...(await entered(act, 'publishEdition', actor, record, facts)), impact }
  })
  services.nudgeSweep?.()
  return answer
}

/** @throws Problem `field-invalid` naming every field at fault */
function requireSound(draft: EditionDraft, { table, edition }: EditionKey): void {
  const errors = draftErrors(draft, { table, edition }, edition)
  if (!isXmlText(canonicalText(draft.content))) {
    const detail = 'holds U+FFFE or U+FFFF, which stand for nothing and which no XML file can hold'
    errors.push({ pointer: '/content', code: 'text-unwritable', detail })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
  requireCompiling(findUncompilable(draft.content, '/content'))
}

/** Every cell and column of content that cannot be compiled; none where it compiles. */
function findUncompilable(content: EditionContent, pointer: string): ProblemError[] {
  const read = compileTable(content)
  return 'refusals' in read ? writeRefusals(read.refusals, pointer) : []
}

function writeRefusals(refusals: readonly TableRefusal[], pointer: string): ProblemError[] {
  return refusals.map(({ pointer: inner, code, detail, at }) => ({
    pointer: pointer + inner,
    code,
    detail: at === undefined ? detail : `at character ${at + 1}: ${detail}`,
  }))
}

/** @throws Problem `field-invalid` naming every cell and column that cannot be compiled */
function requireCompiling(errors: readonly ProblemError[]): void {
  if (errors.length === 0) return
  throw new Problem('field-invalid', { detail: 'The edition does not compile.', errors: [...errors] })
}

/** What checking stored content found, and which content that was. */
interface Checked {
  readonly digest: string
  readonly refusal: Problem | undefined
  readonly warnings: readonly EditionWarning[]
}

/** Verifies an edition before the gate is taken, since a large one takes its time; undefined where there is none. */
async function checkStored(sql: Sql, key: EditionKey): Promise<Checked | undefined> {
  const record = await selectEdition(sql, key.table, key.edition)
  if (record === undefined) return undefined
  const { digest, content } = record
  const found = await verify(record)
  if ('refusals' in found) {
    const errors = writeRefusals(found.refusals, '')
    return {
      digest,
      refusal: new Problem('field-invalid', { detail: 'The edition does not compile.', errors }),
      warnings: [],
    }
  }
  const errors = refusalsOf(found, content)
  const detail = `The table cannot mean what it says; ${pathOf(key)}/verification tells all of it.`
  const refusal = errors.length === 0 ? undefined : new Problem('field-invalid', { detail, errors })
  return { digest, refusal, warnings: warningsOf(found, content) }
}

/**
 * @returns what is suspicious in the content
 * @throws Problem `digest-stale` where the content is not the one that was checked: it was replaced in between
 * @throws Problem `field-invalid`
 */
function requireChecked(
  { name, digest }: Versioned<EditionState>,
  checked: Checked | undefined,
): readonly EditionWarning[] {
  if (checked?.digest === digest) {
    if (checked.refusal) throw checked.refusal
    return checked.warnings
  }
  throw new Problem('digest-stale', {
    detail: `The content of ${name} was replaced a moment ago. Read it again before signing.`,
    errors: [{ pointer: '/digest', code: 'digest-stale', detail: `the content now has the digest ${digest}` }],
    members: { digest },
  })
}

/**
 * Holds a draft to the table it belongs to. A table may still move to another rule set where this is its only edition, or
 * the others were rejected or cancelled.
 */
async function keepTable(act: Act, content: EditionContent, facts: TableFacts): Promise<void> {
  if (facts.subject !== null) requireSameRuleSet(content, facts)
  else if (facts.ruleSet !== content.ruleSet) await moveTable(act, content.table, content.ruleSet)
  requireSameSubject(content, facts)
}

// Products name rule sets, so a table that moved would silently stop speaking of some.
function requireSameRuleSet({ ruleSet }: EditionContent, facts: TableFacts): void {
  if (ruleSet === facts.ruleSet) return
  throw fieldInvalid(
    '/content/ruleSet',
    `The table belongs to the rule set ${facts.ruleSet}, as in its other editions.`,
  )
}

function requireSameSubject({ subject }: EditionContent, facts: TableFacts): void {
  if (facts.subject === null || subject === facts.subject) return
  throw fieldInvalid('/content/subject', `The table is about ${facts.subject}, as in its other editions.`)
}

/** @throws Problem `edition-not-found` */
export async function findEdition(act: Act, key: EditionKey): Promise<EditionRecord & Versioned<EditionState>> {
  const current = await selectEdition(act.sql, key.table, key.edition)
  if (current === undefined) throw editionNotFound(key)
  return { ...current, name: nameOf(key) }
}

function written({ content, changeReason }: EditionDraft) {
  return { table: content.table, edition: content.edition, content, changeReason: changeReason ?? null }
}

/** Enters an act in the ledger, and answers with what it left. */
export async function entered(
  act: Act,
  action: EditionAction,
  { person: by }: PersonActor,
  record: EditionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<Edition> {
  const subject = pathOf(record).slice('/v1/'.length)
  await recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
  return answerEdition(act.sql, record)
}

function pathOf({ table, edition }: EditionKey): string {
  return `/v1/rule-tables/${table}/editions/${edition}`
}
