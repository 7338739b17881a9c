import { type AnySettings, StepWire, settingsOf } from '../plans/words.ts'
import type { Built } from './building.ts'
import { together, word } from './said.ts'
import type { Wanted } from './wanted.ts'

/** Steps in which an open lead gives the best possible number, and which have no minimum that would show it. */
const blind: ReadonlySet<Wanted['kind']> = new Set(['insulation-resistance', 'electric-strength-dc'])

/**
 * Where a step cannot show an open lead itself, an earlier one with the same connections does, if it has a minimum: the
 * leads stay where they are in between.
 */
export function provenContact<Step extends { readonly wanted: Wanted; readonly built: Built }>(
  steps: readonly Step[],
): Step[] {
  return steps.map((step, index) => {
    if (!blind.has(step.wanted.kind)) return step
    const proof = steps
      .slice(0, index)
      .findLast(({ wanted, built }) => showsOpenLead(built) && isSameConnection(wanted, step.wanted))
    if (!proof) return step
    const { step: said } = step.built
    const because = `The same leads carried a current above the minimum of step ${proof.wanted.step}, so they were on.`
    const proven = together({ contactProvenBy: word(proof.wanted.step, { source: 'physics', because }) })
    const built: Built = {
      ...step.built,
      step: { value: { ...(said.value as object), ...(proven.value as object) }, why: [...said.why, ...proven.why] },
    }
    return { ...step, built }
  })
}

function showsOpenLead({ step }: Built): boolean {
  const read = StepWire.safeParse(step.value)
  return read.success && settingsOf(read.data).every((one: AnySettings) => Boolean(one.openLeadMinimum))
}

function isSameConnection(earlier: Wanted, later: Wanted): boolean {
  const key = ({ from, to }: Wanted['measurements'][number]) => JSON.stringify([from, to])
  const connected = new Set(earlier.measurements.map(key))
  return later.measurements.every((one) => connected.has(key(one)))
}
