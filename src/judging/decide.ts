import { NOTHING_KNOWN } from './acceptance.ts'
import { type Admission, type AdmitContext, admit } from './admit.ts'
import { type Facts, factOf } from './facts.ts'
import { judge } from './judge.ts'
import type { Judgement } from './judgement.ts'
import { judgePermitted } from './permits.ts'
import { isTrip } from './validity.ts'
import { type CodeFound, type Outcome, outcomeOf, type Upload, type Verdict } from './words.ts'

/** What is answered to an upload, as far as it depends on itself and the facts; its unit's history comes later. */
export interface Decision {
  readonly admission: Admission
  readonly outcome: Outcome
  /** Those of the admission, and what the judge found that holds the run. */
  readonly codes: readonly CodeFound[]
  /** Null where the upload is rejected: that is no result. */
  readonly judgement: Judgement | null
  readonly verdict: Verdict | null
  /** What the run would be under deviation permits that still have uses; null where it needs or has none. */
  readonly permitted: { readonly permits: readonly string[]; readonly decision: Decision } | null
  /** A failure that the station itself reported; it stays in the unit's history whatever the outcome. */
  readonly reportedFailure: boolean
}

/** Admits and judges: held runs are judged like accepted ones, rejected ones are not. */
export function decide(upload: Upload, facts: Facts, context: AdmitContext): Decision {
  const admission = admit(upload, facts, context)
  const reportedFailure = reportsFailure(upload)
  if (admission.outcome === 'rejected' || admission.compiled === null) {
    return {
      admission,
      outcome: admission.outcome,
      codes: admission.codes,
      judgement: null,
      verdict: null,
      permitted: null,
      reportedFailure,
    }
  }
  const judgement = judge(upload, admission.compiled, admission.calibration ?? NOTHING_KNOWN)
  const codes = judgement.overStress
    ? [...admission.codes, ...overStressCodes(judgement, context.pointerRoot, upload)]
    : admission.codes
  const outcome = outcomeOf(codes)
  const plain = { admission, outcome, codes, judgement, verdict: judgement.verdict, permitted: null, reportedFailure }
  return { ...plain, permitted: permittedBy(upload, facts, plain) }
}

/** Only what is accepted may use a permit: a run that is held may never count, and would use it up. */
function permittedBy(upload: Upload, facts: Facts, plain: Decision): Decision['permitted'] {
  const { admission, judgement, outcome } = plain
  const { compiled, revision, permits, calibration } = admission
  if (outcome !== 'accepted' || permits.length === 0 || judgement === null) return null
  if (compiled === null || revision === null) return null
  const { content } = revision
  const versions = factOf(facts, 'product', upload.product)?.versions ?? []
  const version = versions.find((one) => one.version === content.productVersion)
  const instrument = calibration ?? NOTHING_KNOWN
  const found = judgePermitted(upload, { content, version, compiled, instrument, permits }, judgement)
  if (found === null) return null
  const decision: Decision = {
    ...plain,
    admission: { ...admission, compiled: found.compiled },
    judgement: found.judgement,
    verdict: found.judgement.verdict,
  }
  return { permits: found.permits, decision }
}

/** Promise 5: bad news is never lost. The station's own fail, of whatever part, a trip, breakdown or arc, or a nonconformity. */
function reportsFailure(upload: Upload): boolean {
  if (upload.stationVerdict === 'fail') return true
  return upload.steps.some(
    (step) =>
      step.stationVerdict === 'fail' ||
      step.measurements.some(
        (one) => one.stationVerdict === 'fail' || one.conformity === 'nonconforming' || isTrip(one.termination),
      ),
  )
}

/** One code for every measurement that was stressed above the plan, naming the first such stress. */
function overStressCodes({ steps }: Judgement, root: string, upload: Upload): CodeFound[] {
  return steps.flatMap(({ step, measurements }) =>
    measurements.flatMap(({ measurement, reasons }): CodeFound[] => {
      const above = reasons.find(({ code }) => code === 'stress-above-plan')
      if (above === undefined) return []
      const index = upload.steps.findIndex((one) => one.step === step)
      const place = upload.steps[index]?.measurements.findIndex((one) => one.measurement === measurement) ?? -1
      const pointer = `${root}/steps/${index}/measurements/${place}`
      return [{ code: 'over-stress', pointer, facts: { step, measurement, ...above.facts } }]
    }),
  )
}
