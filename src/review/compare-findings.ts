import type { Finding } from '../plans/findings.ts'

/** What became of a finding from one revision to the other. */
export const findingChanges = ['new', 'gone', 'same', 'other'] as const
export type FindingChange = (typeof findingChanges)[number]

export interface ComparedFinding {
  readonly change: FindingChange
  /** Of the revision compared with; null where it has none of the kind. */
  readonly before: Finding | null
  /** Of the revision reviewed. */
  readonly after: Finding | null
}

const ORDER: Readonly<Record<FindingChange, number>> = { new: 0, other: 1, gone: 2, same: 3 }

/**
 * The findings of two revisions side by side, at one rules version: what says the same of the same place is one line,
 * `other` where its numbers or its interval differ. New ones come first, then those that differ, those gone, the same;
 * blocking ones first among each.
 */
export function compareFindings(before: readonly Finding[], after: readonly Finding[]): ComparedFinding[] {
  const waiting = new Map<string, Finding[]>()
  for (const finding of before) {
    const list = waiting.get(placeOf(finding))
    if (list) list.push(finding)
    else waiting.set(placeOf(finding), [finding])
  }
  const compared: ComparedFinding[] = after.map((finding) => {
    const partner = take(waiting.get(placeOf(finding)), finding)
    if (partner === undefined) return { change: 'new', before: null, after: finding }
    return { change: saysTheSame(partner, finding) ? 'same' : 'other', before: partner, after: finding }
  })
  for (const finding of [...waiting.values()].flat()) compared.push({ change: 'gone', before: finding, after: null })
  return compared.sort((one, other) => ORDER[one.change] - ORDER[other.change] || severityOf(one) - severityOf(other))
}

/** What a finding is about. Which row or edition came nearest is not part of it: that may change with a number. */
function placeOf({ code, table, variant, step, measurement, parameter }: Finding): string {
  return JSON.stringify([code, table, variant, step, measurement, parameter])
}

/** Takes the partner out of the list: one that says the same where there is one, else the first. */
function take(list: Finding[] | undefined, finding: Finding): Finding | undefined {
  if (list === undefined) return undefined
  const equal = list.findIndex((one) => saysTheSame(one, finding))
  return list.splice(Math.max(equal, 0), 1)[0]
}

function saysTheSame(one: Finding, other: Finding): boolean {
  return JSON.stringify(one) === JSON.stringify(other)
}

function severityOf({ before, after }: ComparedFinding): number {
  return (after ?? before)?.severity === 'blocking' ? 0 : 1
}
