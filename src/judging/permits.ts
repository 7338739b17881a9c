import { type Relaxation, relaxedContent } from '../plans/relax.ts'
import type { PlanContent } from '../plans/words.ts'
import { type ConfirmedVersion, variantNames } from '../products/versions.ts'
import { holds, type Interval } from '../stations/instrument-assignment.ts'
import type { InstrumentState } from './acceptance.ts'
import { type CompiledRevision, compiledRevision } from './compile.ts'
import { judge } from './judge.ts'
import type { Judgement, MeasurementJudgement, StepJudgement } from './judgement.ts'
import type { Upload } from './words.ts'

/** A deviation permit of a revision, at one site. */
export interface PermitFact extends Interval {
  readonly permit: string
  readonly relaxation: Relaxation
  /** When rules do not allow it. */
  readonly blocks: readonly Interval[]
}

/** The permits that a test of a variant may use at an instant, by their keys. */
export function permitsAt(permits: readonly PermitFact[], variant: string, at: number): readonly PermitFact[] {
  if (permits.length === 0) return permits
  return permits.filter(
    ({ relaxation, blocks, ...validity }) =>
      holds(validity, at) &&
      (relaxation.variants === null || relaxation.variants.includes(variant)) &&
      !blocks.some((block) => holds(block, at)),
  )
}

/** What a run would be under permits: whether it may use them is for whoever counts the uses. */
export interface Permitted {
  /** Those that it needs, in order of their keys. */
  readonly permits: readonly string[]
  readonly judgement: Judgement
  /** With the permits' limits where they are needed. */
  readonly compiled: CompiledRevision
}

/**
 * A run that does not pass, judged again with the limits that permits relax; null where it does not pass with them
 * either. What passes by the plan's own limits stays as it was judged; the rest says which permit carries it.
 */
export function judgePermitted(
  upload: Upload,
  by: {
    readonly content: PlanContent
    readonly version: ConfirmedVersion | undefined
    readonly compiled: CompiledRevision
    readonly instrument: InstrumentState
    readonly permits: readonly PermitFact[]
  },
  plain: Judgement,
): Permitted | null {
  const { content, version, compiled, permits } = by
  if (permits.length === 0 || plain.verdict === 'pass') return null
  const variants = version === undefined ? [] : variantNames(version.content)
  const relaxed = compiledRevision(contentUnder(content, permits, variants), compiled.variant)
  if ('missing' in relaxed) return null
  const under = judge(upload, relaxed, by.instrument)
  if (under.verdict !== 'pass') return null
  const used = new Set<string>()
  const steps = plain.steps.map((step, index): StepJudgement => {
    const relaxedStep = under.steps[index]
    if (relaxedStep === undefined || step.verdict === 'pass' || step.verdict === 'not-run') return step
    const measurements = step.measurements.map((one, place): MeasurementJudgement => {
      const carried = relaxedStep.measurements[place]
      const permit = permits.find(({ relaxation }) => covers(relaxation, step.step, one.measurement))
      if (carried === undefined || permit === undefined || one.verdict === 'pass') return one
      used.add(permit.permit)
      const reason = { code: 'under-permit', facts: { permit: permit.permit } } as const
      return { ...carried, verdict: 'pass-under-permit', reasons: [...carried.reasons, reason] }
    })
    return { ...relaxedStep, verdict: 'pass-under-permit', measurements }
  })
  if (used.size === 0) return null
  return {
    permits: [...used].sort(),
    judgement: { ...under, verdict: 'pass-under-permit', steps },
    compiled: mixed(compiled, relaxed, steps),
  }
}

function covers({ step, measurement }: Relaxation, asked: string, measured: string): boolean {
  return step === asked && (measurement === null || measurement === measured)
}

/** The compiled revision with relaxed limits where they carried a measurement, and its own everywhere else. */
function mixed(own: CompiledRevision, relaxed: CompiledRevision, steps: readonly StepJudgement[]): CompiledRevision {
  const isCarried = (step: number, place: number) => steps[step]?.measurements[place]?.verdict === 'pass-under-permit'
  return {
    ...own,
    steps: own.steps.map((step, index) => ({
      ...step,
      measurements: step.measurements.map(
        (one, place) => (isCarried(index, place) ? relaxed.steps[index]?.measurements[place] : undefined) ?? one,
      ),
    })),
  }
}

const underPermits = new WeakMap<PlanContent, Map<string, PlanContent>>()

/** Made once for the same permits, since what is compiled hangs on the content object. */
function contentUnder(content: PlanContent, permits: readonly PermitFact[], variants: readonly string[]): PlanContent {
  const known = underPermits.get(content) ?? new Map<string, PlanContent>()
  underPermits.set(content, known)
  const name = permits.map(({ permit }) => permit).join(' ')
  const made =
    known.get(name) ??
    relaxedContent(
      content,
      permits.map(({ relaxation }) => relaxation),
      variants,
    )
  known.set(name, made)
  return made
}
