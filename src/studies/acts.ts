import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { digestOf } from '../exact/canonical.ts'
import { recordEntry } from '../ledger/acts.ts'
import { getRevision } from '../plans/reads.ts'
import { readRuleBook, readRulesNow } from '../plans/reads-rules.ts'
import type { Database } from '../platform/database/pool.ts'
import { isTaken } from '../platform/database/transaction.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem, unknownReference } from '../platform/problems.ts'
import { getEdition } from '../rules/reads.ts'
import type { EditionKey } from '../rules/record.ts'
import { editionsInEffect } from '../rules/timeline.ts'
import { readDated } from '../stations/dated.ts'
import { getCalibration, listCalibrations } from '../stations/reads.ts'
import type { CalibrationAnswer } from '../stations/words.ts'
import { getStudy } from './reads.ts'
import { errorsInDoubt, isFinal, type Scope, type StudyRecord, studyNotFound } from './record.ts'
import { holdStudy, insertAssessment, insertStudy, selectAssessments, updateStudy } from './store.ts'
import type { AssessmentDraft, Question, Study, StudyDraft } from './words.ts'

/**
 * Asks a question over stored runs; the job answers it.
 * @throws Problem `already-exists`, `reference-unknown`, `field-invalid`
 */
export async function createStudy(database: Database, actor: PersonActor, draft: StudyDraft): Promise<Study> {
  const beside = await readBeside(database, draft.question)
  return runActOf(database, actor, async (act) => getStudy(act.sql, await askStudy(act, actor, draft, beside)))
}

/**
 * Asks a question within an act that asks more; gives the study's key. `beside` as `readBeside` gave it before the act.
 * @throws Problem `already-exists`, `reference-unknown`, `field-invalid`
 */
export async function askStudy(
  act: Act,
  actor: PersonActor,
  { study, question }: StudyDraft,
  beside: readonly EditionKey[],
): Promise<string> {
  const record: StudyRecord = {
    study: study ?? act.ids.mint(act.at),
    question,
    scope: await scopeOf(act, question, beside),
    state: 'queued',
    failure: null,
    total: 0,
    done: 0,
    found: 0,
    cursor: null,
    digest: digestOf(''),
    recordedAt: act.at,
    recordedBy: actor.person,
    endedAt: null,
  }
  try {
    await insertStudy(act.sql, record)
  } catch (error) {
    if (!isTaken(error)) throw error
    throw new Problem('already-exists', { detail: `Study ${record.study} exists.`, cause: error })
  }
  await recordEntry(act, {
    action: 'createStudy',
    by: actor.person,
    subject: `studies/${record.study}`,
    facts: { question: { ...question } },
  })
  return record.study
}

function scopeOf(act: Act, question: Question, beside: readonly EditionKey[]): Promise<Scope> {
  switch (question.kind) {
    case 'revision-change':
      return revisionScope(act, question)
    case 'calibration-error':
      return errorScope(act, question.calibration)
    case 'edition-change':
      return editionScope(act, question, beside)
  }
}

async function revisionScope(act: Act, question: Extract<Question, { kind: 'revision-change' }>): Promise<Scope> {
  const { plan } = question
  const from = readDated(question.testedFrom, '/question/testedFrom')
  const until = question.testedUntil ? readDated(question.testedUntil, '/question/testedUntil') : act.at + 1
  if (until <= from) throw fieldInvalid('/question/testedUntil', 'must lie after testedFrom')
  if (question.from === question.to) throw fieldInvalid('/question/to', 'must be another revision than from')
  const digests = { from: '', to: '' }
  for (const side of ['from', 'to'] as const) {
    const revision = await named(getRevision(act.sql, { plan, revision: question[side] }), {
      key: 'revision-not-found',
      pointer: `/question/${side}`,
    })
    digests[side] = revision.digest
  }
  return {
    kind: 'revision-change',
    plan,
    revision: question.from,
    to: question.to,
    fromDigest: digests.from,
    toDigest: digests.to,
    from,
    until,
    receivedBy: act.at,
  }
}

async function errorScope(act: Act, key: string): Promise<Scope> {
  const pointer = '/question/calibration'
  const calibration = await named(getCalibration(act.sql, key), { key: 'calibration-not-found', pointer })
  const errors = errorsInDoubt(calibration, await earlierCalibrations(act, calibration))
  if (errors.length === 0) throw fieldInvalid(pointer, `${key} found no error out of tolerance.`)
  return {
    kind: 'calibration-error',
    instrument: calibration.instrument,
    errors,
    from: Math.min(...errors.map(({ since }) => since)),
    until: Date.parse(calibration.performedAt),
    receivedBy: act.at,
  }
}

const CALIBRATIONS_PAGE = 500

async function earlierCalibrations(act: Act, calibration: CalibrationAnswer): Promise<CalibrationAnswer[]> {
  const all: CalibrationAnswer[] = []
  let after: readonly [number, string] | undefined
  for (;;) {
    const page = await listCalibrations(act.sql, { after, limit: CALIBRATIONS_PAGE }, calibration.instrument)
    all.push(...page.slice(0, CALIBRATIONS_PAGE))
    const last = all.at(-1)
    if (page.length <= CALIBRATIONS_PAGE || last === undefined) break
    after = [Date.parse(last.performedAt), last.calibration]
  }
  return all.filter(({ performedAt }) => performedAt < calibration.performedAt)
}

type EditionQuestion = Extract<Question, { kind: 'edition-change' }>

/**
 * For a question about an edition, the editions of other tables that may take a demand out of it or out of one another, of
 * those in effect when it is to take effect. Before the act, since they may have to be read anew.
 */
export async function readBeside(database: Database, question: Question): Promise<EditionKey[]> {
  if (question.kind !== 'edition-change') return []
  const { rulesVersion, at } = await readRulesNow(database)
  const { tables } = await readRuleBook(database, database.sql, rulesVersion, [])
  const asked = question.effectiveFrom ? readDated(question.effectiveFrom, '/question/effectiveFrom') : at
  const inEffect = editionsInEffect(tables, asked, rulesVersion)
  return [...inEffect.values()].flatMap(({ table, edition, compiled }) =>
    table !== question.table && compiled !== null && compiled.overrides.length > 0 ? [{ table, edition }] : [],
  )
}

async function editionScope(
  act: Act,
  { table, edition, digest, bindsBecause }: EditionQuestion,
  beside: readonly EditionKey[],
): Promise<Scope> {
  const asked = await named(getEdition(act.sql, table, edition), {
    key: 'edition-not-found',
    pointer: '/question/edition',
  })
  if (asked.digest !== digest) throw fieldInvalid('/question/digest', `The content has the digest ${asked.digest}.`)
  return {
    kind: 'edition-change',
    table,
    edition,
    digest,
    bindsBecause: bindsBecause ?? asked.bindsBecause,
    beside,
    from: 0,
    until: act.at + 1,
    receivedBy: act.at,
  }
}

/** What a read gives; where it is not there, the Problem names the field of the body. */
async function named<T>(read: Promise<T>, at: { readonly key: Problem['key']; readonly pointer: string }): Promise<T> {
  try {
    return await read
  } catch (error) {
    if (!(error instanceof Problem) || error.key !== at.key) throw error
    throw unknownReference(at.pointer, error.message)
  }
}

/**
 * Ends a study that still goes on; what it found stays.
 * @throws Problem `study-not-found`, `already-ended`
 */
export async function cancelStudy(database: Database, actor: PersonActor, study: string): Promise<Study> {
  return runActOf(database, actor, async (act) => {
    const record = await holdStudy(act.sql, study)
    if (record === undefined) throw studyNotFound(study)
    if (isFinal(record.state)) throw new Problem('already-ended', { detail: `Study ${study} is ${record.state}.` })
    await updateStudy(act.sql, { ...record, state: 'cancelled', endedAt: act.at })
    await recordEntry(act, {
      action: 'cancelStudy',
      by: actor.person,
      subject: `studies/${study}`,
      facts: { done: record.done, found: record.found, digest: record.digest },
    })
    return getStudy(act.sql, study)
  })
}

/**
 * Records what was concluded from a study that is done, signed over the digest of all its findings; that closes it.
 * @throws Problem `study-not-found`, `state-conflict`, `digest-stale`, `already-exists`
 */
export async function assessStudy(
  database: Database,
  actor: PersonActor,
  study: string,
  draft: AssessmentDraft,
): Promise<Study> {
  return runActOf(database, actor, async (act) => {
    const record = await holdStudy(act.sql, study)
    if (record === undefined) throw studyNotFound(study)
    if (record.state !== 'done') {
      throw new Problem('state-conflict', {
        detail: `Study ${study} is ${record.state}; only one that is done is assessed.`,
      })
    }
    if (record.digest !== draft.digest) {
      throw new Problem('digest-stale', { detail: `The findings of ${study} have the digest ${record.digest}.` })
    }
    if ((await selectAssessments(act.sql, [study])).length > 0) {
      throw new Problem('already-exists', { detail: `Study ${study} was assessed and is closed.` })
    }
    const { digest, conclusion, meaning } = draft
    await insertAssessment(act.sql, {
      study,
      digest,
      conclusion,
      meaning,
      recordedAt: act.at,
      recordedBy: actor.person,
    })
    await recordEntry(act, {
      action: 'assessStudy',
      by: actor.person,
      subject: `studies/${study}`,
      facts: { digest, conclusion, meaning },
    })
    return getStudy(act.sql, study)
  })
}
