import { decimal } from '../../src/exact/decimal.ts'
import type { AttributeValue } from '../../src/products/attributes.ts'
import type { Accepted, AcceptedValue } from '../../src/rules/demand.ts'
import {
  type EditionInEffect,
  meetRequirements,
  type RequirementOutcome,
  requirementsFor,
} from '../../src/rules/requirements.ts'
import type { EditionContent, Parameter, Subject } from '../../src/rules/words.ts'
import { compiled } from './aldermoor-tables.ts'

export const noInputs = { inputs: [] as EditionContent['inputs'] }

/** The variant in hand, unless a test says otherwise. */
export const attributes = new Map<string, AttributeValue>([
  ['family', 'dust-extractor'],
  ['insulation', 'basic'],
  ['ratedVoltage', decimal(230)],
])

function acceptedOf(values: Partial<Record<Parameter, AcceptedValue>>): Accepted {
  return (parameter) => values[parameter] ?? 'absent'
}

export function atLeast(value: string): AcceptedValue {
  return { least: decimal(value) }
}

export function exactly(value: string): AcceptedValue {
  return { least: decimal(value), most: decimal(value) }
}

/** Compares editions, as content or published, with what is accepted. */
export function outcomes(
  editions: readonly (EditionContent | EditionInEffect)[],
  accepted: Partial<Record<Parameter, AcceptedValue>>,
  options: { subject?: Subject; attributes?: Map<string, AttributeValue> } = {},
): RequirementOutcome[] {
  const inEffect = editions.map((edition) => ('rows' in edition ? { table: compiled(edition) } : edition))
  const requirements = requirementsFor(inEffect, {
    subject: options.subject ?? 'electric-strength-ac',
    ruleSets: new Set(['aldermoor-routine']),
    attributes: options.attributes ?? attributes,
  })
  return meetRequirements(requirements, acceptedOf(accepted))
}

/** Written short: the row met, or the code, severity and each demand not met. */
export function brief(outcome: RequirementOutcome | undefined): unknown {
  if (!outcome) return 'silent'
  if (outcome.outcome === 'unresolved') return outcome.code
  if (outcome.outcome === 'met') return `met by ${outcome.row.row}`
  const failing = outcome.comparisons.filter(({ met }) => !met)
  return `${outcome.severity} ${outcome.row.row}: ${failing.map(({ demand, code }) => `${demand.parameter} ${code}`).join(', ')}`
}
