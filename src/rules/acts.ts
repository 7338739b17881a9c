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
import type { Submission } from '../products/words.ts'
import { compileTable } from './compile-table.ts'
import {
  EDITION_MAX,
  type Edition,
  type EditionRecord,
  type EditionState,
  editionLifecycle,
  editionNotFound,
  writeEdition,
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
import { changeReasonMissing, type EditionContent, type EditionDraft, type PublicationRequest } from './words.ts'

/** What the acts of this room use. */
export interface RuleServices {
  readonly database: Database
  /** Called after a commit that changed the rules, so that live revisions are checked soon; it would happen anyway. */
  readonly nudgeSweep?: (() => void) | undefined
}

export interface EditionKey {
  readonly table: string
  readonly edition: number
}

/** Writes the first or a later edition of a table, as a draft. The first one makes the table and its rule set. */
export async function createEdition(
  services: RuleServices,
  actor: PersonActor,
  table: string,
  draft: EditionDraft,
): Promise<Edition> {
  const { content } = draft
  requireSound(draft, { table, edition: content.edition })
  const author = actor.person
  return runAct(services.database, async (act) => {
    const facts = await selectTableFacts(act.sql, table, content.edition)
    if (facts !== undefined) {
      const name = nameOf({ table, edition: content.edition })
      requireHigherNumber(content.edition, { ...facts, name, pointer: '/content/edition' })
      requireSameRuleSet(content, facts)
      requireSameSubject(content, facts)
    }
    const record = await insertEdition(act, { ...written(draft), authors: [author] })
    await recordEdition(act, 'createEdition', author, record, {})
    return writeEdition(record)
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
  const author = actor.person
  return runAct(services.database, async (act) => {
    const current = await findEdition(act, key)
    requireMatch(current.digest)
    if (stateAfter(editionLifecycle, 'replaceEdition', current.state) === undefined) {
      throw new Problem('edition-locked', { detail: `Edition ${key.edition} of ${key.table} is ${current.state}.` })
    }
    await keepTable(act, key, draft.content)
    const record = await replaceContent(act, { ...written(draft), authors: withAuthor(current.authors, author) })
    await recordEdition(act, 'replaceEdition', author, record, { before: current.digest })
    return writeEdition(record)
  })
}

/** Freezes a draft for the second person to read. */
export async function submitEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  submission: Submission,
): Promise<Edition> {
  const by = actor.person
  return runAct(services.database, async (act) => {
    const current = await findEdition(act, key)
    const state = requireMove(editionLifecycle, 'submitEdition', versioned(current))
    requireDigest(versioned(current), submission?.digest)
    requireCompiling(current.content, '')
    const record = await markSubmitted(act, key, { state, by })
    await recordEdition(act, 'submitEdition', by, record, {})
    return writeEdition(record)
  })
}

/**
 * The second person's signature: the edition takes effect at the instant given, and from this commit on no run counts
 * against a revision that has not been checked with it.
 */
export async function publishEdition(
  services: RuleServices,
  actor: PersonActor,
  key: EditionKey,
  request: PublicationRequest,
): Promise<Edition> {
  const by = actor.person
  const asked = readEffect(request.effectiveFrom)
  requireText(request.meaning, '/meaning')
  const bindsBecause = request.bindsBecause ?? null
  if (bindsBecause !== null) requireText(bindsBecause, '/bindsBecause')
  const answer = await runAct(services.database, async (act) => {
    const current = await findEdition(act, key)
    const state = requireMove(editionLifecycle, 'publishEdition', versioned(current))
    requireDigest(versioned(current), request.digest)
    requireOtherThanAuthors(versioned(current), by)
    requireCompiling(current.content, '')
    const effectiveFrom = act.effectiveAt(asked, '/effectiveFrom')
    const publishedVersion = act.raiseRules()
    const { meaning } = request
    const publication = { state, by, meaning, effectiveFrom, bindsBecause, publishedVersion }
    const record = await markPublished(act, key, publication)
    act.touch('rules', key.table, 'all')
    await recordEdition(act, 'publishEdition', by, record, {
      meaning,
      bindsBecause,
      effectiveFrom: writeInstant(effectiveFrom),
      rulesVersion: publishedVersion,
    })
    return writeEdition(record)
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

function requireText(text: string, pointer: string): void {
  if (text.trim() === '') throw fieldInvalid(pointer, 'must say something')
}

/** @throws Problem `field-invalid` naming every field at fault */
function requireSound(draft: EditionDraft, key: EditionKey): void {
  const { content } = draft
  const errors: ProblemError[] = []
  if (content.table !== key.table) {
    errors.push({ pointer: '/content/table', detail: `The path names the rule table ${key.table}.` })
  }
  if (content.edition !== key.edition) {
    errors.push({ pointer: '/content/edition', detail: `The path names the edition ${key.edition}.` })
  }
  if (content.edition > EDITION_MAX) {
    errors.push({ pointer: '/content/edition', detail: `The number of an edition is at most ${EDITION_MAX}.` })
  }
  if (changeReasonMissing(draft)) {
    errors.push({ pointer: '/changeReason', code: 'field-missing', detail: 'An edition above 1 says why it differs.' })
  }
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
  requireCompiling(content, '/content')
}

/** @throws Problem `field-invalid` naming every cell and column that cannot be compiled */
function requireCompiling(content: EditionContent, pointer: string): void {
  const read = compileTable(content)
  if (!('refusals' in read)) return
  const errors = read.refusals.map(({ pointer: inner, code, message, at }) => ({
    pointer: pointer + inner,
    code,
    detail: at === undefined ? message : `at character ${at + 1}: ${message}`,
  }))
  throw new Problem('field-invalid', { detail: 'The edition does not compile.', errors })
}

/** Holds a draft to the table it belongs to. A table whose only edition it is may still move to another rule set. */
async function keepTable(act: Act, key: EditionKey, content: EditionContent): Promise<void> {
  const facts = await selectTableFacts(act.sql, key.table, key.edition)
  if (facts === undefined) throw new Error(`the table ${key.table} has an edition but is not there`)
  requireSameSubject(content, facts)
  if (facts.subject !== null) requireSameRuleSet(content, facts)
  else if (facts.ruleSet !== content.ruleSet) await moveTable(act, key.table, content.ruleSet)
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

async function findEdition(act: Act, key: EditionKey): Promise<EditionRecord> {
  const current = await selectEdition(act.sql, key.table, key.edition)
  if (current === undefined) throw editionNotFound(key.table, key.edition)
  return current
}

function written({ content, changeReason }: EditionDraft) {
  return { table: content.table, edition: content.edition, content, changeReason: changeReason ?? null }
}

function versioned(record: EditionRecord): Versioned<EditionState> {
  return { name: nameOf(record), state: record.state, digest: record.digest, authors: record.authors }
}

function nameOf({ table, edition }: EditionKey): string {
  return `edition ${edition} of ${table}`
}

function recordEdition(
  act: Act,
  action: string,
  by: string,
  record: EditionRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<void> {
  const subject = `rule-tables/${record.table}/editions/${record.edition}`
  return recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
}
