import type { UnitName } from '../units/words.ts'
import type { PermitUse } from './port.ts'

export interface TakenUse extends UnitName {
  readonly permit: string
  readonly runId: string
}

/**
 * Which runs have the permits that they need: one after the other, all that a run needs or none. A unit that has used a
 * permit uses no more of it. `left`: units that may still come under each; `used`: permit, product and serial of those that
 * have, each on a line.
 */
export function grantUses(
  uses: readonly PermitUse[],
  known: { readonly left: ReadonlyMap<string, number>; readonly used: ReadonlySet<string> },
): { readonly granted: boolean[]; readonly taken: TakenUse[] } {
  const left = new Map(known.left)
  const used = new Set(known.used)
  const taken: TakenUse[] = []
  const granted = uses.map(({ product, serial, runId, permits }) => {
    const nameOf = (permit: string) => `${permit}\n${product}\n${serial}`
    const needed = permits.filter((permit) => !used.has(nameOf(permit)))
    if (needed.some((permit) => (left.get(permit) ?? 0) < 1)) return false
    for (const permit of needed) {
      left.set(permit, (left.get(permit) ?? 0) - 1)
      used.add(nameOf(permit))
      taken.push({ permit, product, serial, runId })
    }
    return true
  })
  return { granted, taken }
}
