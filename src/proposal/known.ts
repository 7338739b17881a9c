/** Numbers as the plan's newest revision has them: better than a usual one where no rule says any. */
import type { WindowName } from '../plans/windows.ts'
import { acceptedEnds, canonical, quantityValue } from '../plans/windows.ts'
import { limitText } from '../plans/words.ts'
import type { Reasoned, Why } from './said.ts'
import type { Wanted } from './wanted.ts'

const why: Why = { source: 'plan', because: 'As in the newest revision; no rule in effect says a number.' }

export function knownLimit(
  { known }: Wanted,
  parameter: 'limitUpper' | 'limitLower',
  variant: string,
): Reasoned | undefined {
  const limit = known?.[parameter]
  const text = limit ? limitText(limit, variant) : undefined
  return limit && text !== undefined ? { value: canonical(text, limit.unit), why } : undefined
}

/** The least stress that it accepts. */
export function knownLeast({ known }: Wanted, name: WindowName): Reasoned | undefined {
  const window = known?.[name]
  const value = window ? acceptedEnds(name, window).least : undefined
  return value && { value, why }
}

/** The minimum below which a lead counts as open. */
export function knownMinimum({ known }: Wanted): Reasoned | undefined {
  return known?.openLeadMinimum ? { value: quantityValue(known.openLeadMinimum), why } : undefined
}

export function knownTrip({ known }: Wanted): Reasoned | undefined {
  return known?.tripCurrent ? { value: quantityValue(known.tripCurrent), why } : undefined
}
