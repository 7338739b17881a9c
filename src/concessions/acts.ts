import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { readStoredRun } from '../intake/reads.ts'
import type { StoredJudgement } from '../intake/stored.ts'
import { recordEntry } from '../ledger/acts.ts'
import { checkRelaxed } from '../plans/reads-relaxed.ts'
import type { Database } from '../platform/database/pool.ts'
import { isTaken } from '../platform/database/transaction.ts'
import { Problem, requireText } from '../platform/problems.ts'
import { concessionDigest, departuresOf, relaxationsOf, writeConcession } from './departures.ts'
import { readConcession } from './reads.ts'
import { insertApproval, insertConcession } from './store.ts'
import type { ConcessionAnswer, ConcessionApproval, ConcessionDraft, ConcessionRow } from './words.ts'

/**
 * Asks for leave to release a unit that failed. What it failed on is taken from the record, with its numbers.
 * @throws Problem `run-not-found`, `already-exists`, `state-conflict` where no leave can be given for this run
 */
export async function requestConcession(
  database: Database,
  actor: PersonActor,
  draft: ConcessionDraft,
): Promise<ConcessionAnswer> {
  return runActOf(database, actor, async (act) => {
    const { site, stored } = await readStoredRun(act.sql, draft.runId)
    const { product, serial } = stored
    const judged = requireFailed(stored.outcome, stored.judged)
    const found = departuresOf(judged.steps)
    if ('refused' in found) throw notConcedable(found.refused)
    if (judged.reasons.length > 0) throw notConcedable('the station itself failed the run')
    if (product === null || serial === null) throw new Error(`run ${draft.runId} was judged without a unit`)
    const { departures } = found
    const row: ConcessionRow = {
      ...draft,
      site,
      product,
      serial,
      departures,
      digest: concessionDigest(draft, departures),
      requestedAt: act.at,
      requestedBy: actor.person,
      approvedAt: null,
      approvedBy: null,
      meaning: null,
    }
    try {
      await insertConcession(act, row)
    } catch (error) {
      if (!isTaken(error)) throw error
      throw new Problem('already-exists', { detail: `Concession ${draft.concession} exists at ${site}.`, cause: error })
    }
    await recordEntry(act, {
      action: 'requestConcession',
      by: actor.person,
      subject: `concessions/${site}/${draft.concession}`,
      facts: { runId: draft.runId, digest: row.digest, reference: draft.reference },
    })
    return writeConcession(row)
  })
}

/**
 * Gives the leave, as the second person: from then on the run does not keep its unit from shipping. Refused where rules
 * in effect now would not allow the numbers.
 * @throws Problem `concession-not-found`, `state-conflict`, `digest-stale`, `two-people-required`, `beyond-rules`,
 *   `rules-changed`, `field-invalid`
 */
export async function approveConcession(
  database: Database,
  actor: PersonActor,
  name: { readonly site: string; readonly concession: string },
  { digest, meaning }: ConcessionApproval,
): Promise<ConcessionAnswer> {
  requireText(meaning, '/meaning')
  const asked = await readConcession(database.sql, name)
  const { stored } = await readStoredRun(database.sql, asked.runId)
  const { plan, revision } = requireFailed(stored.outcome, stored.judged)
  const relaxed = await checkRelaxed(database, { plan, revision }, relaxationsOf(asked.departures))
  return runActOf(database, actor, async (act) => {
    const row = await readConcession(act.sql, name)
    if (row.approvedAt !== null) {
      throw new Problem('state-conflict', { detail: `Concession ${name.concession} is approved already.` })
    }
    if (digest !== row.digest) {
      throw new Problem('digest-stale', {
        detail: `Concession ${name.concession} has another digest. Read it again before signing.`,
      })
    }
    if (actor.person === row.requestedBy) {
      throw new Problem('two-people-required', {
        detail: `${actor.person} asked for concession ${name.concession}; someone else must approve it.`,
      })
    }
    if (act.rulesVersion !== relaxed.rulesVersion) {
      throw new Problem('rules-changed', { detail: 'Rules were published while this was being checked. Try again.' })
    }
    relaxed.requireWithinRules(act.at)
    await insertApproval(act, name, { by: actor.person, meaning })
    const after = { ...row, approvedAt: act.at, approvedBy: actor.person, meaning }
    await recordEntry(act, {
      action: 'approveConcession',
      by: actor.person,
      subject: `concessions/${name.site}/${name.concession}`,
      facts: { digest, meaning, runId: row.runId },
    })
    return writeConcession(after)
  })
}

function requireFailed(outcome: string, judged: StoredJudgement | null): StoredJudgement {
  if (outcome === 'accepted' && judged?.verdict === 'fail') return judged
  throw notConcedable(`it is ${outcome}${judged === null ? '' : `, its verdict ${judged.verdict}`}`)
}

function notConcedable(because: string): Problem {
  return new Problem('state-conflict', {
    detail: `No leave can be given for this run: ${because}. Mend the unit or the cause, and test again.`,
  })
}
