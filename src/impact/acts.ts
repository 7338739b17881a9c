import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { writeInstantOrNull } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import { countLiveRevisions } from '../plans/reads-impact.ts'
import { readRulesNow } from '../plans/reads-rules.ts'
import type { Database } from '../platform/database/pool.ts'
import { Problem, requireText } from '../platform/problems.ts'
import { readEffect } from '../platform/versioned-words.ts'
import { openImpact } from '../rules/acts-impacts.ts'
import { getEdition } from '../rules/reads.ts'
import { type EditionKey, nameOf } from '../rules/record.ts'
import { askStudy, readBeside } from '../studies/acts.ts'
import type { Question } from '../studies/words.ts'
import { impactPage } from './acts-step.ts'
import { getImpact } from './reads.ts'
import type { Impact, ImpactRequest } from './words.ts'

/** So long the request itself works on the answer, milliseconds; what is left is for the job. */
const ANSWER_TIME_MAX_MS = 2_000

export interface AskingOptions {
  /** Instead of the usual time; zero leaves all to the job. */
  readonly timeMaxMs?: number
}

/**
 * Asks what publishing an edition would do, as the publication would state it. Live revisions are checked at once as far
 * as time allows, stored runs by a study in the background. Nothing of it changes what counts.
 * @throws Problem `edition-not-found`, `state-conflict`, `effective-instant-passed`, `field-invalid`
 */
export async function askImpact(
  database: Database,
  actor: PersonActor,
  key: EditionKey,
  request: ImpactRequest,
  { timeMaxMs = ANSWER_TIME_MAX_MS }: AskingOptions = {},
): Promise<Impact> {
  const asked = readEffect(request?.effectiveFrom ?? 'at-once', '/effectiveFrom')
  const bindsBecause = request?.bindsBecause ?? null
  if (bindsBecause !== null) requireText(bindsBecause, '/bindsBecause')
  const { digest } = await findUnpublished(database.sql, key)
  const effectiveFrom = asked === 'at-once' ? null : asked
  const question: Question = {
    kind: 'edition-change',
    table: key.table,
    edition: key.edition,
    digest,
    effectiveFrom: writeInstantOrNull(effectiveFrom),
    bindsBecause,
  }
  const beside = await readBeside(database, question)
  const revisionsTotal = await countLiveRevisions(database.sql, (await readRulesNow(database)).at)
  const impact = await runActOf(database, actor, async (act) => {
    const { digest: current } = await findUnpublished(act.sql, key)
    if (current !== digest) {
      throw new Problem('digest-stale', {
        detail: `The content of ${nameOf(key)} was replaced a moment ago; ask again.`,
      })
    }
    act.effectiveAt(asked, '/effectiveFrom')
    const study = await askStudy(act, actor, { question }, beside)
    const id = act.ids.mint(act.at)
    await openImpact(act.sql, {
      impact: id,
      ...key,
      digest,
      effectiveFrom,
      bindsBecause,
      rulesVersion: act.rulesVersion,
      state: 'checking',
      failure: null,
      study,
      revisionsTotal,
      revisionsChecked: 0,
      revisionsBlocked: 0,
      revisionsUnapprovable: 0,
      revisionsUncheckable: 0,
      permitsBeyond: 0,
      runsAffected: null,
      cursorPlan: null,
      cursorRevision: null,
      askedAt: act.at,
      askedBy: actor.person,
      endedAt: null,
    })
    const facts = {
      ...key,
      digest,
      effectiveFrom: question.effectiveFrom,
      bindsBecause,
      rulesVersion: act.rulesVersion,
      study,
    }
    await recordEntry(act, { action: 'askImpact', by: actor.person, subject: `impacts/${id}`, facts })
    return id
  })
  const startedMs = performance.now()
  while (performance.now() - startedMs < timeMaxMs) {
    if ((await impactPage(database, { impact })) === 'settled') break
  }
  return getImpact(database, impact)
}

/** @throws Problem `edition-not-found`, `state-conflict` */
async function findUnpublished(sql: Database['sql'], key: EditionKey): Promise<{ readonly digest: string }> {
  const edition = await getEdition(sql, key.table, key.edition)
  if (edition.state !== 'published') return edition
  throw new Problem('state-conflict', {
    detail: `${nameOf(key)} is published; its impact is asked for before.`,
    members: { state: edition.state },
  })
}
