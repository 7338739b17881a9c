import type { UnitCode } from '../exact/unit-codes.ts'
import type { ConfirmedVersion } from '../products/versions.ts'
import { type Accepted, writeComparison } from '../rules/demand.ts'
import { writeNearest } from '../rules/nearest.ts'
import { meetRequirements, type Requirement, type RequirementOutcome } from '../rules/requirements.ts'
import type { Parameter } from '../rules/words.ts'
import { type Found, found } from './findings.ts'
import type { InEffect } from './rule-timeline.ts'

/** What is compared with the rules: one group of measurements of a step, or the plan as a whole. */
export interface RulesAsked {
  readonly variant: string
  readonly accepted: Accepted
  /** Undefined for the plan as a whole. */
  readonly step: string | undefined
  readonly measurements: readonly string[]
  /** The unit in which the plan states a parameter, where it does. */
  readonly unitOf?: ((parameter: Parameter) => UnitCode | undefined) | undefined
}

/** What the rules demand and would not be met, for each of the measurements; warnings unless only what blocks is asked. */
export function compareWithRules(
  requirements: readonly Requirement[],
  { variant, accepted, step, measurements, unitOf }: RulesAsked,
  { onlyBlocking }: { readonly onlyBlocking: boolean },
): Found[] {
  const findings: Found[] = []
  for (const outcome of meetRequirements(requirements, accepted)) {
    if (onlyBlocking && (outcome.outcome === 'met' || outcome.severity === 'warning')) continue
    const overridden = outcome.overridden.length === 0 ? [] : findOverridden(outcome)
    if (outcome.outcome === 'met' && overridden.length === 0) continue
    for (const one of outcome.outcome === 'met' ? overridden : [...findingsOf(outcome, unitOf), ...overridden]) {
      const whose = { ...one, variant: variant || null, step: step ?? null }
      if (step === undefined) findings.push(whose)
      for (const measurement of measurements) findings.push({ ...whose, measurement })
    }
  }
  return findings
}

/**
 * Rule sets of the product that no table in effect belongs to. They warn, since rules may come later; but a slip in the
 * spelling of one would leave a revision unjudged in silence.
 */
export function checkRuleSets({ ruleSets: known }: InEffect, version: ConfirmedVersion): Found[] {
  return version.content.ruleSets
    .filter((ruleSet) => !known.has(ruleSet))
    .map((ruleSet) => found({ severity: 'warning', code: 'rule-set-empty', facts: { ruleSet } }))
}

/**
 * Demands that a table without conditions takes out of one that is made for such products. It may be meant; but a house
 * rule for everything usually gives way to the special one, and not the other way round.
 */
function findOverridden({ table, edition, overridden }: RequirementOutcome): Found[] {
  return overridden
    .filter(({ isBroader }) => isBroader)
    .map(({ parameter, byTable, byEdition, reason }) =>
      found({
        severity: 'warning',
        code: 'parameter-overridden',
        table,
        edition,
        parameter,
        facts: { by: `${byTable}/${byEdition}`, reason },
      }),
    )
}

function findingsOf(outcome: Exclude<RequirementOutcome, { outcome: 'met' }>, unitOf: RulesAsked['unitOf']): Found[] {
  const { severity, table, edition, overridden } = outcome
  const removed = overridden.map(
    ({ parameter, byTable, byEdition, reason }) => `${parameter} by ${byTable}/${byEdition}: ${reason}`,
  )
  const facts: Record<string, string> = removed.length > 0 ? { overridden: removed.join('; ') } : {}
  if (outcome.outcome === 'unresolved') {
    const { code, rows, attribute, parameter, because } = outcome
    if (attribute !== undefined) facts['attribute'] = attribute
    if (rows.length > 1) facts['rows'] = rows.join(', ')
    if (because !== undefined) facts['because'] = because
    const row = rows.length === 1 ? (rows[0] ?? null) : null
    return [found({ severity, code, table, edition, row, parameter: parameter ?? null, facts })]
  }
  const { row, binding, comparisons } = outcome
  const [source] = row.sources
  facts['binding'] = binding
  if (source) facts['source'] = `${source.document}, ${source.documentEdition}, ${source.clause}`
  return comparisons.flatMap((comparison) => {
    const { code } = comparison
    if (!code) return [] // Met.
    const nearest = writeNearest(comparison, unitOf?.(comparison.demand.parameter))
    return [found({ severity, code, table, edition, row: row.row, ...writeComparison(comparison), nearest, facts })]
  })
}
