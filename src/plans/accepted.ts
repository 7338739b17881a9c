import { type Decimal, divide, isZero } from '../exact/decimal.ts'
import type { Accepted, AcceptedValue } from '../rules/demand.ts'
import { type Parameter, type StepKind, stepKinds } from '../rules/words.ts'
import { acceptedEnds, canonical, type Ends, quantityValue } from './windows.ts'
import { type AnySettings, type Limit, limitText, type Settings, type Step, type Window } from './words.ts'

/**
 * What one measurement of a step would accept for each parameter that a rule may name, for one variant. Parameters that
 * the kind of step does not have, or the plan leaves out, are absent. `preceded` are the kinds that its step's kind comes
 * before.
 */
export function acceptedBy(settings: Settings, variant: string, preceded: readonly StepKind[]): Accepted {
  const said: AnySettings = settings
  const values = new Map<Parameter, AcceptedValue>()
  for (const parameter of windowed) {
    const window = memberOf(settings, parameter)
    if (isWindow(window)) values.set(parameter, acceptedEnds(parameter, window))
  }
  if ('tripCurrent' in settings) values.set('tripCurrent', oneValue(quantityValue(settings.tripCurrent)))
  values.set('precedes', { kinds: preceded })
  if ('limitInRamp' in settings) values.set('limitInRamp', { flag: settings.limitInRamp })
  if ('rampUp' in settings)
    values.set(
      'rampRate',
      rampRate(acceptedEnds('testVoltage', settings.testVoltage), acceptedEnds('rampUp', settings.rampUp)),
    )
  for (const parameter of ['limitUpper', 'limitLower'] as const) {
    const limit = limitValue(said[parameter], variant)
    if (limit) values.set(parameter, oneValue(limit))
  }
  return (parameter) => values.get(parameter) ?? 'absent'
}

/** What the plan as a whole has: the kinds of its steps that must be run. */
export function acceptedByPlan(steps: readonly Step[]): Accepted {
  const kinds: readonly StepKind[] = [...new Set(steps.filter(({ required }) => required).map(({ kind }) => kind))]
  return (parameter) => (parameter === 'stepPresent' ? { kinds } : 'absent')
}

/**
 * The kinds of which no step can be run before a required step of `kind` has ended, by what the plan enforces: not by
 * the order in which it lists steps, but by their `after`, from one to the next. A kind without a step is among them.
 */
export function kindsPreceded(steps: readonly Step[], kind: StepKind): StepKind[] {
  const behind = new Set<string>()
  // Steps run after steps that stand before them, so one pass sees every chain.
  for (const step of steps) {
    if (step.after.some((name) => behind.has(name) || isRequired(steps, name, kind))) behind.add(step.step)
  }
  return stepKinds.filter((one) => steps.every((step) => step.kind !== one || behind.has(step.step)))
}

function isRequired(steps: readonly Step[], name: string, kind: StepKind): boolean {
  return steps.some((step) => step.step === name && step.kind === kind && step.required)
}

/** A limit in its canonical unit for a variant; undefined where there is none. */
export function limitValue(limit: Limit | null | undefined, variant: string): Decimal | undefined {
  if (!limit) return undefined
  const text = limitText(limit, variant)
  return text === undefined ? undefined : canonical(text, limit.unit)
}

/** Parameters that are windows of the plan under the same name. */
const windowed = [
  'testVoltage',
  'dwell',
  'rampUp',
  'testCurrent',
  'sourceVoltage',
  'frequency',
  'residualVoltage',
] as const

function memberOf(settings: Settings, name: (typeof windowed)[number]): Window | null | undefined {
  return name in settings ? (settings as Partial<Record<typeof name, Window | null>>)[name] : undefined
}

function isWindow(window: Window | null | undefined): window is Window {
  return window !== null && window !== undefined
}

function oneValue(value: Decimal): Ends {
  return { least: value, most: value }
}

/**
 * How fast the voltage may rise: the least over the longest ramp, to the most over the shortest. An end that the plan
 * leaves open, or a ramp that may take no time, leaves the rate unbounded there.
 */
function rampRate(voltage: Ends, rampUp: Ends): Ends {
  return {
    ...(voltage.least && rampUp.most && !isZero(rampUp.most) && { least: divide(voltage.least, rampUp.most) }),
    ...(voltage.most && rampUp.least && !isZero(rampUp.least) && { most: divide(voltage.most, rampUp.least) }),
  }
}
