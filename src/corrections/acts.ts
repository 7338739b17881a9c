import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { readQuantity } from '../exact/quantity.ts'
import { readUpload } from '../intake/read-upload.ts'
import { readStoredRun, type StoredRun } from '../intake/reads.ts'
import { checkShape } from '../judging/admit-shape.ts'
import { compiledRevision } from '../judging/compile.ts'
import { factOf } from '../judging/facts.ts'
import { judge } from '../judging/judge.ts'
import type { Judgement } from '../judging/judgement.ts'
import type { Upload } from '../judging/words.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem } from '../platform/problems.ts'
import { stepResults } from '../units/step-evidence.ts'
import {
  correctionDigest,
  inEffect,
  isInEffect,
  measuredAt,
  withCorrection,
  writeCorrection,
  writeMeasured,
} from './corrections.ts'
import { loadJudgedBy, readCorrectionsOf, uncertaintyOf } from './reads.ts'
import { insertConfirmation, insertCorrection } from './store.ts'
import type { Correction, CorrectionAnswer, CorrectionConfirmation, CorrectionDraft } from './words.ts'

/**
 * Records a correction of a number that was sent, and what the run comes to with it. It changes nothing that is stored:
 * one that leaves the verdict is in effect at once, any other when a second person has confirmed it.
 * @throws Problem `run-not-found`, `state-conflict`, `field-invalid`
 */
export async function correctRun(
  database: Database,
  actor: PersonActor,
  runId: string,
  draft: CorrectionDraft,
): Promise<CorrectionAnswer> {
  const read = readQuantity(draft.to)
  if (!('quantity' in read)) {
    const member = 'refused' in read ? read.member : 'value'
    throw fieldInvalid(
      `/to/${member}`,
      'is not a number with its unit',
      'refused' in read ? read.refused : 'not-a-number',
    )
  }
  return runActOf(database, actor, async (act) => {
    const run = await readStoredRun(act.sql, runId)
    const again = await judgeAgain(act, run)
    const place = { step: draft.step, measurement: draft.measurement, member: draft.member }
    const before = measuredAt(again.upload, place)
    if (before === undefined) {
      throw fieldInvalid('/measurement', `the run has no ${draft.member} of ${draft.step}, ${draft.measurement}`)
    }
    const corrected = withCorrection(again.upload, place, read.quantity)
    const [wrong] = again.refusalsOf(corrected)
    if (wrong !== undefined) throw fieldInvalid('/to', wrong)
    const judgement = again.judge(corrected)
    const from = writeMeasured(before.number)
    const outcome = {
      from,
      verdictBefore: again.verdict,
      verdictAfter: judgement.verdict,
      follows: again.chain.at(-1)?.correctionId ?? null,
    }
    const correction: Correction = {
      ...outcome,
      ...draft,
      correctionId: act.ids.mint(act.at),
      runId,
      site: run.site,
      digest: correctionDigest(runId, draft, outcome),
      judgement: { reasons: judgement.reasons, steps: judgement.steps },
      steps: again.stepsOf(judgement),
      recordedAt: act.at,
      recordedBy: actor.person,
      confirmedAt: null,
      confirmedBy: null,
      meaning: null,
    }
    await insertCorrection(act, correction)
    await recordEntry(act, {
      action: 'correctRun',
      by: actor.person,
      subject: `runs/${runId}/corrections/${correction.correctionId}`,
      facts: {
        digest: correction.digest,
        ...place,
        from,
        to: draft.to,
        reason: draft.reason,
        ...verdictsOf(correction),
      },
    })
    return writeCorrection(correction)
  })
}

/**
 * Signs a correction as the second person; from then on the run counts with the corrected verdict.
 * @throws Problem `run-not-found`, `correction-not-found`, `two-people-required`, `digest-stale`, `state-conflict` where it
 *   is in effect already, or another came into effect since it was made
 */
export async function confirmCorrection(
  database: Database,
  actor: PersonActor,
  { runId, correctionId }: { readonly runId: string; readonly correctionId: string },
  { digest, meaning }: CorrectionConfirmation,
): Promise<CorrectionAnswer> {
  return runActOf(database, actor, async (act) => {
    await readStoredRun(act.sql, runId)
    const corrections = (await readCorrectionsOf(act.sql, [runId])).get(runId) ?? []
    const correction = corrections.find((one) => one.correctionId === correctionId)
    if (correction === undefined) {
      throw new Problem('correction-not-found', { detail: `The run ${runId} has no correction ${correctionId}.` })
    }
    requireConfirmable(correction, corrections)
    if (digest !== correction.digest) {
      throw new Problem('digest-stale', { detail: 'The correction has another digest. Read it again before signing.' })
    }
    if (actor.person === correction.recordedBy) {
      throw new Problem('two-people-required', {
        detail: `${actor.person} made the correction; someone else must confirm it.`,
      })
    }
    await insertConfirmation(act, correction, { by: actor.person, meaning })
    await recordEntry(act, {
      action: 'confirmCorrection',
      by: actor.person,
      subject: `runs/${runId}/corrections/${correctionId}`,
      facts: { digest, meaning, ...verdictsOf(correction) },
    })
    return writeCorrection({ ...correction, confirmedAt: act.at, confirmedBy: actor.person, meaning })
  })
}

function requireConfirmable(correction: Correction, corrections: readonly Correction[]): void {
  if (isInEffect(correction)) {
    throw new Problem('state-conflict', { detail: 'The correction is in effect already.' })
  }
  const last = inEffect(corrections).at(-1)?.correctionId ?? null
  if (correction.follows === last) return
  throw new Problem('state-conflict', {
    detail: 'Another correction has come into effect since this one was made. Make it again on top of that.',
  })
}

function verdictsOf({ verdictBefore, verdictAfter }: Correction) {
  return { verdictBefore, verdictAfter }
}

/** A run made ready to be judged again, as it stands with the corrections in effect. */
interface JudgedAgain {
  readonly upload: Upload
  readonly verdict: Judgement['verdict']
  readonly chain: readonly Correction[]
  judge(upload: Upload): Judgement
  refusalsOf(upload: Upload): string[]
  stepsOf(judgement: Judgement): Correction['steps']
}

async function judgeAgain(act: Act, run: StoredRun): Promise<JudgedAgain> {
  const { stored } = run
  const facts = await loadJudgedBy(act.sql, run)
  const { judged } = stored
  const read = readUpload(run.raw)
  const revision = judged && factOf(facts, 'revision', `${judged.plan}/${judged.revision}`)
  if (judged === null || !revision || read.kind !== 'read')
    throw new Error(`the run ${stored.runId} cannot be read again`)
  const compiled = compiledRevision(revision.content, judged.variant)
  if ('missing' in compiled) throw new Error(`the run ${stored.runId} was judged without a limit`)
  const chain = inEffect((await readCorrectionsOf(act.sql, [stored.runId])).get(stored.runId) ?? [])
  const upload = chain.reduce((so, { to, ...place }) => {
    const number = readQuantity(to)
    return 'quantity' in number ? withCorrection(so, place, number.quantity) : so
  }, read.upload)
  const instrument = uncertaintyOf(facts, run)
  const { content } = revision
  return {
    upload,
    chain,
    verdict: chain.at(-1)?.verdictAfter ?? judged.verdict,
    judge: (corrected) => judge(corrected, compiled, instrument),
    refusalsOf: (corrected) =>
      checkShape(corrected, compiled, '').map(({ facts: { detail } }) => detail ?? 'does not fit'),
    stepsOf: ({ steps, stationVerdict }) =>
      content.evidenceFrom === 'steps'
        ? stepResults(
            content.steps,
            steps.map(({ verdict }) => verdict),
            stationVerdict,
          )
        : null,
  }
}
