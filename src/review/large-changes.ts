import { absolute, compare, decimal, parseDecimal } from '../exact/decimal.ts'
import type { Change } from './diff-words.ts'

/**
 * A limit that moves by more than this, per cent of what it was, needs a stated reason: a slip of the decimal point and a
 * limit that was raised to make units pass both look like it. Common practice, no source.
 */
export const LARGE_CHANGE_PERCENT = 20

const LIMITS: ReadonlySet<string> = new Set(['limitUpper', 'limitLower', 'openLeadMinimum', 'tripCurrent'])
const LARGE = decimal(String(LARGE_CHANGE_PERCENT))

/** The changes of a diff that need a stated reason: a limit moved far, or away from zero, or taken away with all it was of. */
export function largeChanges(changes: readonly Change[]): Change[] {
  return changes.filter(({ path, member, kind, changePercent }) => {
    if (member === null) return kind === 'removed'
    if (!LIMITS.has(member)) return false
    if (kind === 'removed') return true
    // Whether a number on the limit passes moves no limit.
    if ((kind !== 'tightened' && kind !== 'loosened') || path.endsWith('/inclusive')) return false
    // From zero there is no percentage.
    const percent = changePercent === null ? undefined : parseDecimal(changePercent)
    return percent === undefined || compare(absolute(percent), LARGE) > 0
  })
}
