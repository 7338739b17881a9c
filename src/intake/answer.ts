import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { actionOf, sentenceOf } from '../judging/sentences.ts'
import type { CodeFound, Reason } from '../judging/words.ts'
import { pointerFragment } from '../platform/problems.ts'
import type { FoldedAttempt } from '../units/fold.ts'
import { type Release, releaseSentence, writeRelease } from '../units/words.ts'
import type { Answer } from './answer-words.ts'
import type { StoredUpload } from './stored.ts'

/** What the unit's history makes of the run now. */
export interface FoldedAnswer {
  readonly attempt: FoldedAttempt
  readonly release: Release
}

/** The answer to an upload, made from its rows and its unit's history: the same the first time and ever after. */
export function writeAnswer(stored: StoredUpload, folded: FoldedAnswer | null, repeated: boolean): Answer {
  const { judged } = stored
  const isResult = stored.outcome !== 'rejected'
  const attempt = isResult ? folded?.attempt : undefined
  return {
    runId: stored.runId,
    uploadKey: stored.uploadKey,
    repeated,
    outcome: stored.outcome,
    standing: attempt?.standing ?? stored.outcome,
    codes: [...stored.codes, ...(attempt?.codes ?? [])].map(writeCode),
    verdict: judged?.verdict ?? null,
    correctedVerdict: correctedVerdict(folded),
    stationVerdict: stored.stationVerdict,
    evidence: attempt?.evidence ?? null,
    attempt: attempt?.number ?? null,
    contentDigest: stored.contentDigest,
    receivedAt: writeInstant(stored.receivedAt),
    skewMs: stored.skewMs,
    startedAt: writeInstantOrNull(stored.startedAt),
    startedAtUsed: writeInstantOrNull(stored.startedAtUsed),
    judgedBy:
      judged === null
        ? null
        : {
            plan: judged.plan,
            revision: judged.revision,
            revisionDigest: judged.revisionDigest,
            productVersion: judged.productVersion,
            editions: [...judged.editions],
            decisionRule: judged.decisionRule,
            calibration: judged.calibration,
          },
    reasons: (judged?.reasons ?? []).map(writeReason),
    steps: (judged?.steps ?? []).map(({ step, verdict, reasons, measurements }) => ({
      step,
      verdict,
      reasons: reasons.map(writeReason),
      measurements: measurements.map((one) => ({ ...one, reasons: one.reasons.map(writeReason) })),
    })),
    release: isResult && folded !== null ? writeRelease(folded.release) : null,
    action: actionSentence(stored, folded),
  }
}

/** Null where no correction is in effect. */
function correctedVerdict(folded: FoldedAnswer | null): Answer['correctedVerdict'] {
  const attempt = folded?.attempt.attempt
  return attempt === undefined || attempt.correctedFrom === null ? null : attempt.verdict
}

/** One code with its way out. */
export function writeCode({ code, pointer, facts }: CodeFound): Answer['codes'][number] {
  return {
    code,
    pointer: pointer === undefined ? null : pointerFragment(pointer),
    facts: { ...facts },
    action: `${sentenceOf(code, facts)} ${actionOf(code)}`,
  }
}

function writeReason({ code, facts }: Reason): Answer['reasons'][number] {
  return { code, facts: { ...facts }, sentence: sentenceOf(code, facts) }
}

const PROVISIONAL = 'Evidence is provisional until the next station check closes the bracket.'

/** The one sentence that a person at the station reads first. */
function actionSentence(stored: StoredUpload, folded: FoldedAnswer | null): string {
  const standing = folded?.attempt.standing ?? stored.outcome
  const codes = [...stored.codes, ...(folded?.attempt.codes ?? [])]
  const [code] = codes
  if (standing === 'rejected' || standing === 'held') {
    const word = standing === 'rejected' ? 'Rejected, so the unit counts as untested' : 'Held'
    if (code === undefined) return `${word}.`
    const field = code.pointer === undefined ? '' : ` (${code.pointer})`
    const more = codes.length === 1 ? '' : ` The other ${codes.length - 1} are in codes.`
    return `${word}: ${sentenceOf(code.code, code.facts)}${field} ${actionOf(code.code)}${more}`
  }
  const corrected = correctedVerdict(folded)
  if (corrected !== null) return `Corrected: the run counts as ${corrected}. What was sent first is kept.`
  const because = firstReason(stored)
  switch (stored.judged?.verdict) {
    case 'pass':
    case 'pass-under-permit':
      return passSentence(folded)
    case 'fail':
      return `Failed.${because} Set the unit aside; repair it and test it again.`
    case 'invalid':
      return `Not a proper test, so it says nothing about the unit.${because} Mend the cause and test again.`
    case 'inconclusive':
      return `A reading cannot be placed against its limit.${because} Test again.`
    default:
      return `A required result is missing.${because} Test again.`
  }
}

function passSentence(folded: FoldedAnswer | null): string {
  switch (folded?.attempt.evidence) {
    case 'superseded':
      return 'Passed, but a later run speaks for this unit.'
    case 'suspect':
      return 'Passed, but what it rested on was taken away afterwards. Test again.'
    default: {
      const worth = folded?.attempt.evidence === 'good' ? 'Passed.' : `Passed. ${PROVISIONAL}`
      return folded?.release.releasable === false
        ? `${worth} The unit may not ship yet: ${folded.release.reasons.map(releaseSentence).join(' ')}`
        : worth
    }
  }
}

/** The first reason of what decided the run, with its place. */
function firstReason({ judged }: StoredUpload): string {
  if (judged === null) return ''
  for (const { step, measurements } of judged.steps) {
    for (const { measurement, verdict, reasons } of measurements) {
      const [reason] = reasons
      if (verdict === judged.verdict && reason !== undefined) {
        return ` Step ${step}, ${measurement}: ${sentenceOf(reason.code, reason.facts)}`
      }
    }
  }
  const missing = judged.steps.find(({ verdict }) => verdict === 'not-run')
  if (judged.verdict === 'incomplete' && missing !== undefined) return ` Step ${missing.step} was not run.`
  const [reason] = judged.reasons
  return reason === undefined ? '' : ` ${sentenceOf(reason.code, reason.facts)}`
}
