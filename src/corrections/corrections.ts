import { canonicalText, digestOf } from '../exact/canonical.ts'
import type { Quantity } from '../exact/quantity.ts'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { Measured, Upload, UploadMeasurement } from '../judging/words.ts'
import type { CorrectedMember, CorrectedNumber, Correction, CorrectionAnswer, CorrectionDraft } from './words.ts'

/**
 * Corrections of a run, by addition. Each is judged on top of those in effect before it; the run's own rows never change.
 */

/** One that changes no verdict is in effect at once, any other from its confirmation on. */
export function isInEffect({ verdictBefore, verdictAfter, confirmedAt }: Correction): boolean {
  return verdictBefore === verdictAfter || confirmedAt !== null
}

/** Those in effect, in the order in which they came into effect: each was made on top of the one before. */
export function inEffect(corrections: readonly Correction[]): Correction[] {
  const chain: Correction[] = []
  for (;;) {
    const last = chain.at(-1)?.correctionId ?? null
    const next = corrections.find((one) => one.follows === last && isInEffect(one))
    if (next === undefined) return chain
    chain.push(next)
  }
}

export interface CorrectedPlace {
  readonly step: string
  readonly measurement: string
  readonly member: CorrectedMember
}

/** Where the number stands now; undefined where the run has no such measurement, or an inspection has no number. */
export function measuredAt(
  upload: Upload,
  place: CorrectedPlace,
): { readonly number: Measured | undefined } | undefined {
  const step = upload.steps.find((one) => one.step === place.step)
  const measurement = step?.measurements.find((one) => one.measurement === place.measurement)
  if (step === undefined || measurement === undefined) return undefined
  if (place.member !== 'reading') return { number: measurement.stress[place.member] ?? step.stress[place.member] }
  return measurement.reading === undefined ? undefined : { number: measurement.reading.value }
}

/** The upload with one number in place of another; the same one where it has no such measurement. */
export function withCorrection(upload: Upload, place: CorrectedPlace, to: Quantity): Upload {
  const correct = (one: UploadMeasurement): UploadMeasurement => {
    if (one.measurement !== place.measurement) return one
    if (place.member !== 'reading') return { ...one, stress: { ...one.stress, [place.member]: to } }
    return one.reading === undefined ? one : { ...one, reading: { ...one.reading, value: to, text: undefined } }
  }
  const steps = upload.steps.map((step) =>
    step.step === place.step ? { ...step, measurements: step.measurements.map(correct) } : step,
  )
  return { ...upload, steps }
}

/** A number as corrections write it, in the digits as received. */
export function writeMeasured(measured: Measured | undefined): CorrectedNumber | null {
  if (measured === undefined || measured === 'no-reading') return null
  const { text, unit, relation } = measured
  return relation === '=' ? { value: text, unit } : { value: text, unit, relation }
}

/** What a correction is signed by: everything that it says and changes. */
export function correctionDigest(
  runId: string,
  draft: CorrectionDraft,
  outcome: Pick<Correction, 'from' | 'verdictBefore' | 'verdictAfter' | 'follows'>,
): string {
  return digestOf(canonicalText({ runId, ...draft, ...outcome }))
}

export function writeCorrection(correction: Correction): CorrectionAnswer {
  const { judgement: _judgement, steps: _steps, follows: _follows, site: _site, ...shown } = correction
  return {
    ...shown,
    inEffect: isInEffect(correction),
    recordedAt: writeInstant(correction.recordedAt),
    confirmedAt: writeInstantOrNull(correction.confirmedAt),
  }
}
