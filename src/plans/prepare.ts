import type { UnitCode } from '../exact/unit-codes.ts'
import type { Accepted } from '../rules/demand.ts'
import { type CompiledFormula, compilePlanFormula } from '../rules/feel-compile.ts'
import type { Parameter, StepKind } from '../rules/words.ts'
import { acceptedBy, acceptedByPlan, kindsPreceded } from './accepted.ts'
import { bondedTerminals, findOpenAbove } from './coverage.ts'
import type { Found } from './findings.ts'
import type { StepAttributes } from './rule-timeline.ts'
import {
  type AnySettings,
  type Limit,
  type PlanContent,
  PlanContentWire,
  type Settings,
  type Step,
  settingsOf,
  unitCode,
} from './words.ts'

/** Content of a revision made ready, once, for any number of checks. */
export interface PreparedRevision {
  readonly content: PlanContent
  readonly steps: readonly PreparedStep[]
  readonly acceptedByPlan: Accepted
  /** Terminals of its bonding; undefined where it has none. */
  readonly bonded: ReadonlySet<string> | undefined
  /** What it warns of by itself, whatever product and rules say. */
  readonly openAbove: readonly Found[]
}

export interface PreparedStep {
  readonly step: Step
  /** One for each measurement, in their order. */
  readonly settings: readonly Settings[]
  /** Measurements that accept the same and are compared with the rules together. */
  readonly groups: readonly PreparedGroup[]
}

export interface PreparedGroup {
  readonly measurements: readonly string[]
  readonly attributes: StepAttributes
  readonly accepted: (variant: string) => Accepted
  /** The unit in which a parameter is stated, where it is. */
  readonly unitOf: (parameter: Parameter) => UnitCode | undefined
  readonly limits: readonly PreparedLimit[]
}

/** A limit that says where its value comes from. */
export interface PreparedLimit {
  readonly parameter: 'limitUpper' | 'limitLower'
  readonly limit: Limit
  readonly formula: CompiledFormula
}

/** Reads stored content. `refused` says, by pointer, why it can no longer be read. */
export function prepareRevision(content: unknown): { prepared: PreparedRevision } | { refused: string } {
  const read = PlanContentWire.safeParse(content)
  if (!read.success) {
    const [issue] = read.error.issues
    return { refused: issue ? `/${issue.path.join('/')}: ${issue.message}` : 'cannot be read' }
  }
  const steps: PreparedStep[] = []
  for (const step of read.data.steps) {
    const settings: Settings[] = settingsOf(step)
    const groups: PreparedGroup[] = []
    const preceded = kindsPreceded(read.data.steps, step.kind)
    for (const together of groupsOf(settings)) {
      const limits = prepareLimits(together[0])
      if ('refused' in limits) return { refused: `/steps/${steps.length}/${limits.refused}` }
      groups.push(prepareGroup(together, limits.prepared, preceded))
    }
    steps.push({ step, settings, groups })
  }
  return {
    prepared: {
      content: read.data,
      steps,
      acceptedByPlan: acceptedByPlan(read.data.steps),
      bonded: bondedTerminals(read.data.steps),
      openAbove: steps.flatMap(({ settings }) => settings.flatMap(findOpenAbove)),
    },
  }
}

type Group = [Settings, ...Settings[]]

/** Where a measurement is connected, and under which supply condition, makes no difference to what it accepts. */
function groupsOf(settings: readonly Settings[]): Group[] {
  const [only, ...others] = settings
  // Most steps have one measurement, and comparing takes as long as all the rest.
  if (only !== undefined && others.length === 0) return [[only]]
  const groups = new Map<string, Group>()
  for (const one of settings) {
    const key = JSON.stringify(one, (name, value) => (connection.includes(name) ? undefined : value))
    const group = groups.get(key)
    if (group) group.push(one)
    else groups.set(key, [one])
  }
  return [...groups.values()]
}

const connection: readonly string[] = [
  'measurement',
  'instruction',
  'from',
  'to',
  'polarity',
  'neutral',
  'protectiveConductor',
]

function prepareGroup(group: Group, limits: readonly PreparedLimit[], preceded: readonly StepKind[]): PreparedGroup {
  const [settings] = group
  const byVariant = new Map<string, Accepted>()
  return {
    measurements: group.map(({ measurement }) => measurement),
    attributes: {
      insulation: 'insulation' in settings ? settings.insulation : undefined,
      network: 'network' in settings ? settings.network : undefined,
      detector: 'detector' in settings ? settings.detector : undefined,
      method: 'method' in settings ? settings.method : undefined,
    },
    accepted(variant) {
      const kept = byVariant.get(variant)
      if (kept) return kept
      const accepted = acceptedBy(settings, variant, preceded)
      byVariant.set(variant, accepted)
      return accepted
    },
    unitOf(parameter) {
      const member: unknown = new Map<string, unknown>(Object.entries(settings)).get(parameter)
      return typeof member === 'object' && member !== null && 'unit' in member
        ? unitCode(String(member.unit))
        : undefined
    },
    limits,
  }
}

function prepareLimits(settings: AnySettings): { prepared: PreparedLimit[] } | { refused: string } {
  const prepared: PreparedLimit[] = []
  for (const parameter of ['limitUpper', 'limitLower'] as const) {
    const limit = settings[parameter]
    if (!limit?.formula) continue
    const compiled = compilePlanFormula(limit.formula, unitCode(limit.unit))
    if ('refusals' in compiled)
      return { refused: `${parameter}/formula: ${compiled.refusals[0]?.detail ?? 'cannot be read'}` }
    prepared.push({ parameter, limit, formula: compiled.compiled })
  }
  return { prepared }
}
