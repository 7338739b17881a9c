import { type InstrumentState, NOTHING_KNOWN } from './acceptance.ts'
import type { CompiledMeasurement, CompiledRevision, CompiledStep } from './compile.ts'
import { judgeMeasurement } from './judge-measurement.ts'
import {
  type Judgement,
  type MeasurementJudgement,
  NO_REASONS,
  type Notes,
  type StepJudgement,
  type Surroundings,
  withStation,
} from './judgement.ts'
import { findMeasurement, type StepsFound } from './validity.ts'
import { type Reason, type Upload, type UploadStep, type Verdict, worseVerdict } from './words.ts'

/**
 * Judges a run against a compiled revision; total. The worst measurement decides a step, the worst step the run, and a
 * station's own word can only make each worse. Measurements and steps that the plan does not have are not looked at:
 * admission refuses a run that has one. `instrument` is what its calibration says, for a guarded decision rule.
 */
export function judge(run: Upload, revision: CompiledRevision, instrument: InstrumentState = NOTHING_KNOWN): Judgement {
  const found: StepsFound = revision.steps.map((planned, index) => findStep(run, planned.step, index))
  const notes: Notes = { overStress: false, disagreement: false }
  let verdict: Verdict = 'pass'
  let isAnythingRun = false
  const steps = revision.steps.map((planned, index): StepJudgement => {
    const step = found[index]
    if (step === undefined) {
      if (planned.required) verdict = worseVerdict(verdict, 'incomplete')
      return { step: planned.step, verdict: 'not-run', reasons: NO_REASONS, measurements: [] }
    }
    isAnythingRun = true
    const judged = judgeStep(planned, step, { instrument, revision, found, notes })
    verdict = worseVerdict(verdict, judged.verdict)
    return judged
  })
  // A plan whose steps are all optional must not pass a unit that nothing was done to.
  if (!isAnythingRun) verdict = worseVerdict(verdict, 'incomplete')
  const reasons: Reason[] = []
  verdict = withStation(verdict, run.stationVerdict, reasons, notes)
  return { verdict, stationVerdict: run.stationVerdict ?? null, ...notes, reasons, steps }
}

function judgeStep(
  planned: CompiledStep,
  step: UploadStep,
  around: Surroundings,
): StepJudgement & { readonly verdict: Verdict } {
  const orderBroken = brokenOrder(planned, step, around)
  let verdict: Verdict = 'pass'
  const measurements = planned.measurements.map((one, index): MeasurementJudgement => {
    const measurement = findMeasurement(step, one.measurement, index)
    const judged =
      measurement === undefined
        ? missing(one)
        : judgeMeasurement({ planned: one, step, measurement }, orderBroken, around)
    verdict = worseVerdict(verdict, judged.verdict)
    return judged
  })
  const reasons: Reason[] = []
  verdict = withStation(verdict, step.stationVerdict, reasons, around.notes)
  return { step: planned.step, verdict, reasons, measurements }
}

function missing({ measurement }: CompiledMeasurement): MeasurementJudgement {
  return { measurement, verdict: 'incomplete', reasons: [{ code: 'measurement-missing', facts: {} }] }
}

/** A step started before one that must come first had ended. One that was not run at all breaks no order. */
function brokenOrder(planned: CompiledStep, step: UploadStep, { revision, found }: Surroundings): Reason | null {
  for (const index of planned.after) {
    const before = found[index]
    if (before !== undefined && before.endedAt > step.startedAt) {
      return { code: 'order-wrong', facts: { step: planned.step, after: revision.steps[index]?.step ?? '' } }
    }
  }
  return null
}

/** The uploaded step of a key; most stations send them in the plan's order, so the planned place is looked at first. */
function findStep(run: Upload, key: string, planned: number): UploadStep | undefined {
  const there = run.steps[planned]
  if (there !== undefined && there.step === key) return there
  return run.steps.find(({ step }) => step === key)
}
