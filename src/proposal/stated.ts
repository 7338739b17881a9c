/** What a step states of itself, which rules may ask for. */
import type { StepAttributes } from '../plans/rule-timeline.ts'
import type { PlanContent } from '../plans/words.ts'
import type { StepKind } from '../rules/words.ts'
import type { Stated } from './building.ts'

/** Networks of IEC 60990 by the figures that draw them; the first for touch current in general. */
const networks = ['iec-60990-figure-4', 'iec-60990-figure-3', 'iec-60990-figure-5'] as const

/** What a step of the kind may state of itself, the plan's own first: rules may have an answer for some of it alone. */
export function candidatesOf(kind: StepKind, before: PlanContent | undefined): Stated[] {
  const own: Partial<Stated>[] = (before?.steps ?? [])
    .filter((step) => step.kind === kind)
    .map((step) => ({
      ...('method' in step && { method: step.method }),
      ...('detector' in step && { detector: step.detector }),
      ...('network' in step && { network: step.network }),
    }))
  const usual: Stated = { method: 'four-wire', detector: 'rms', network: networks[0] }
  const all: Stated[] = own.map((one) => ({ ...usual, ...one }))
  for (const method of ['four-wire', 'two-wire'] as const)
    for (const detector of ['rms', 'peak'] as const)
      for (const network of networks) all.push({ method, detector, network })
  const seen = new Set<string>()
  return all.filter((stated) => {
    const key = JSON.stringify(attributesOf(kind, stated, [undefined]))
    if (seen.has(key)) return false
    seen.add(key)
    return true
  })
}

export function attributesOf(
  kind: StepKind,
  { method, detector, network }: Stated,
  insulations: readonly (string | undefined)[],
): StepAttributes[] {
  switch (kind) {
    case 'protective-bonding':
    case 'protective-continuity':
      return [{ method }]
    case 'electric-strength-ac':
      return insulations.map((insulation) => ({ insulation, detector }))
    case 'electric-strength-dc':
      return insulations.map((insulation) => ({ insulation, detector: 'dc' }))
    case 'insulation-resistance':
      return insulations.map((insulation) => ({ insulation }))
    case 'touch-current':
      return [{ network, detector }]
    case 'protective-conductor-current':
      return [{ detector }]
    case 'residual-voltage':
      return [{ detector: 'peak' }]
    case 'inspection':
      return [{}]
  }
}
