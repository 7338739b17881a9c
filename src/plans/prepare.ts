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
  readonly planned: PreparedSteps
}

/** The steps of a plan made ready; the same object for plans of the same steps, where they are prepared together. */
export interface PreparedSteps {
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

/**
 * What is shared by revisions that are prepared with the same memory. Plans repeat steps to the letter, so each step is
 * read and made ready once, by its text. Nothing depends on it but time and room.
 */
export interface PrepareMemory {
  /** Steps that the schema has let through, by their JSON text. */
  readonly read: Map<string, ReadStep>
  readonly planned: Map<string, PreparedSteps>
}

interface ReadStep {
  /** Stands for the step in keys. */
  readonly number: number
  readonly step: Step
  /** By the kinds that its kind comes before in its plan. */
  readonly prepared: Map<string, PreparedStep>
}

/** Steps remembered; where there are more, all are read anew. */
const STEPS_MAX = 5_000

export function prepareMemory(): PrepareMemory {
  return { read: new Map(), planned: new Map() }
}

type Prepared = { readonly prepared: PreparedRevision } | { readonly refused: string }

/** Reads stored content. `refused` says, by pointer, why it can no longer be read. */
export function prepareRevision(content: unknown, memory: PrepareMemory = prepareMemory()): Prepared {
  if (memory.read.size > STEPS_MAX || memory.planned.size > STEPS_MAX) {
    memory.read.clear()
    memory.planned.clear()
  }
  const texts = stepTexts(content)
  const known = texts.map((text) => memory.read.get(text))
  const read = known.length > 0 && known.every(isGiven) ? readHead(content, known) : readWholly(content, texts, memory)
  if ('refused' in read) return read
  const { steps } = read
  const key = steps.map(({ number }) => number).join(' ')
  const kept = memory.planned.get(key)
  if (kept !== undefined) return { prepared: { content: read.content, planned: kept } }
  const made = prepareSteps(steps)
  if ('refused' in made) return made
  memory.planned.set(key, made.planned)
  return { prepared: { content: read.content, planned: made.planned } }
}

function isGiven<Value>(value: Value | undefined): value is Value {
  return value !== undefined
}

/** None where the content is not of a kind to have any. */
function stepTexts(content: unknown): string[] {
  const steps: unknown = typeof content === 'object' && content !== null ? Reflect.get(content, 'steps') : undefined
  return Array.isArray(steps) ? steps.map((step) => JSON.stringify(step) ?? '') : []
}

/** All of the content but its steps. */
const PlanHeadWire = PlanContentWire.omit({ steps: true })

interface ReadContent {
  readonly content: PlanContent
  readonly steps: readonly ReadStep[]
}

/** Content whose every step has been read before. */
function readHead(content: unknown, steps: readonly ReadStep[]): ReadContent | { readonly refused: string } {
  const { steps: _read, ...head } = content as Record<string, unknown>
  const read = PlanHeadWire.safeParse(head)
  if (!read.success) return refusedBy(read.error)
  return { content: { ...read.data, steps: steps.map(({ step }) => step) }, steps }
}

function readWholly(
  content: unknown,
  texts: readonly string[],
  memory: PrepareMemory,
): ReadContent | { readonly refused: string } {
  const read = PlanContentWire.safeParse(content)
  if (!read.success) return refusedBy(read.error)
  const steps = read.data.steps.map((step, index): ReadStep => {
    const text = texts[index] ?? ''
    const kept = memory.read.get(text)
    if (kept !== undefined) return kept
    const made = { number: memory.read.size, step, prepared: new Map<string, PreparedStep>() }
    memory.read.set(text, made)
    return made
  })
  return { content: { ...read.data, steps: steps.map(({ step }) => step) }, steps }
}

function refusedBy({ issues: [issue] }: { readonly issues: readonly { path: PropertyKey[]; message: string }[] }) {
  return { refused: issue ? `/${issue.path.map(String).join('/')}: ${issue.message}` : 'cannot be read' }
}

function prepareSteps(read: readonly ReadStep[]): { planned: PreparedSteps } | { refused: string } {
  const inOrder = read.map(({ step }) => step)
  const steps: PreparedStep[] = []
  for (const { step, prepared } of read) {
    const preceded = kindsPreceded(inOrder, step.kind)
    const key = preceded.join(' ')
    const made = prepared.get(key) ?? prepareStep(step, preceded)
    if ('refused' in made) return { refused: `/steps/${steps.length}/${made.refused}` }
    prepared.set(key, made)
    steps.push(made)
  }
  return {
    planned: {
      steps,
      acceptedByPlan: acceptedByPlan(inOrder),
      bonded: bondedTerminals(inOrder),
      openAbove: steps.flatMap(({ settings }) => settings.flatMap(findOpenAbove)),
    },
  }
}

function prepareStep(step: Step, preceded: readonly StepKind[]): PreparedStep | { readonly refused: string } {
  const settings: Settings[] = settingsOf(step)
  const groups: PreparedGroup[] = []
  for (const together of groupsOf(settings)) {
    const limits = prepareLimits(together[0])
    if ('refused' in limits) return limits
    groups.push(prepareGroup(together, limits.prepared, preceded))
  }
  return { step, settings, groups }
}

type Group = [Settings, ...Settings[]]

/** Where a measurement is connected, and under which supply condition, makes no difference to what it accepts. */
function groupsOf(settings: readonly Settings[]): Group[] {
  const [only, ...others] = settings
  // Most steps have one measurement, and comparing takes as long as all the rest.
  if (only !== undefined && others.length === 0) return [[only]]
  const groups = new Map<string, Group>()
  for (const one of settings) {
    const key = JSON.stringify({ ...one, ...unconnected })
    const group = groups.get(key)
    if (group) group.push(one)
    else groups.set(key, [one])
  }
  return [...groups.values()]
}

const unconnected = {
  measurement: undefined,
  instruction: undefined,
  from: undefined,
  to: undefined,
  polarity: undefined,
  neutral: undefined,
  protectiveConductor: undefined,
}

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
