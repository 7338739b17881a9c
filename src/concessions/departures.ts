import { canonicalText, digestOf } from '../exact/canonical.ts'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { StepJudgement } from '../judging/judgement.ts'
import type { Relaxation } from '../plans/relax.ts'
import type { ConcessionAnswer, ConcessionDraft, ConcessionRow, Departure } from './words.ts'

/** Reasons that a number beyond its limit comes with; each names the limit. */
const BEYOND = { 'above-limit': 'limitUpper', 'below-limit': 'limitLower' } as const

/**
 * What of a failed run is departed from; or why no leave can be given for it. A breakdown, a trip, a test that was none, a
 * nonconformity that somebody saw, or a number of which only a bound is known has no number that rules could be asked about.
 */
export function departuresOf(steps: readonly StepJudgement[]): { departures: Departure[] } | { refused: string } {
  const departures: Departure[] = []
  for (const { step, verdict, measurements } of steps) {
    if (verdict === 'pass' || verdict === 'not-run' || verdict === 'pass-under-permit') continue
    for (const one of measurements) {
      if (one.verdict === 'pass' || one.verdict === 'pass-under-permit') continue
      const name = `${step}, ${one.measurement}`
      const beyond = one.reasons.filter(({ code }) => code in BEYOND)
      const other = one.reasons.find(({ code }) => STOPPING.has(code))
      const { judged } = one
      if (one.verdict !== 'fail' || beyond.length === 0 || other !== undefined || judged === undefined) {
        return { refused: `${name} is ${one.verdict} (${other?.code ?? one.reasons[0]?.code ?? 'no number'})` }
      }
      if (judged.relation !== undefined) {
        return { refused: `of ${name} only a bound is known, ${judged.relation}${judged.value} ${judged.unit}` }
      }
      for (const { code } of beyond) {
        const member = BEYOND[code as keyof typeof BEYOND]
        const limit = one[member]
        if (limit === undefined) return { refused: `${name} has no limit that it is beyond` }
        const { value, unit } = limit
        const number = one.rounded ?? judged
        departures.push({
          step,
          measurement: one.measurement,
          member,
          limit: { value, unit },
          judged: { value: number.value, unit: number.unit },
        })
      }
    }
  }
  if (departures.length === 0) return { refused: 'no number of it is beyond a limit' }
  return { departures }
}

const STOPPING: ReadonlySet<string> = new Set([
  'above-limit-in-ramp',
  'breakdown',
  'arc',
  'over-current',
  'nonconforming',
  'station-verdict-worse',
])

/** The limits that would have let the run pass: each at the number that was judged. */
export function relaxationsOf(departures: readonly Departure[]): Relaxation[] {
  return departures.map(({ step, measurement, member, judged }) => ({
    step,
    measurement,
    member,
    value: judged.value,
    variants: null,
  }))
}

/** What a concession is signed by: everything that it says, and the numbers that it accepts. */
export function concessionDigest(draft: ConcessionDraft, departures: readonly Departure[]): string {
  return digestOf(canonicalText({ ...draft, departures }))
}

export function writeConcession(row: ConcessionRow): ConcessionAnswer {
  return {
    ...row,
    departures: [...row.departures],
    requestedAt: writeInstant(row.requestedAt),
    approvedAt: writeInstantOrNull(row.approvedAt),
  }
}
