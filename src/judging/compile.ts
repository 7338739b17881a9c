import { compare, type Decimal, decimal, multiply, type TieRule } from '../exact/decimal.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import { acceptedEnds, canonical, type WindowName } from '../plans/windows.ts'
import {
  type AnySettings,
  type GuardBand,
  type LeadOffset,
  type Limit,
  limitText,
  type PlanContent,
  type PlanQuantity,
  type Settings,
  settingsOf,
  unitCode,
  type Window,
} from '../plans/words.ts'
import type { StepKind } from '../rules/words.ts'
import type { StressName } from './words.ts'

/**
 * A revision as the judge reads it for one variant: every bound scaled once into canonical units, every reference by
 * key turned into an index. Made from content that its schema and the plan's check have let through, and kept; nothing
 * of it is stored.
 */

/** A bound in canonical units, and as the plan wrote it. */
export interface Bound {
  readonly value: Decimal
  readonly unit: UnitCode
  /** Number and unit, for people: `158.5 mOhm`. */
  readonly text: string
}

export interface CompiledLimit extends Bound {
  readonly inclusive: boolean
  /** The plan's own digits, trailing zeros kept: `3.0`. */
  readonly written: { readonly value: string; readonly unit: UnitCode }
}

/** A stress that must be measured, and the ends of what the plan accepts, both included; null: open. */
export interface CompiledStress {
  readonly name: StressName
  readonly least: Bound | null
  readonly most: Bound | null
}

/** What shows that the leads touched: all of these measurements of one other step. */
export interface ContactProof {
  readonly step: number
  readonly measurements: readonly number[]
}

export interface CompiledMeasurement {
  readonly measurement: string
  readonly kind: StepKind
  readonly stresses: readonly CompiledStress[]
  /** Whether the limit holds while the voltage rises too, so that the highest current in the ramp is judged. */
  readonly limitInRamp: boolean
  readonly residualVoltageMost: Bound | null
  /** Null where there is none; a measurement has one at least, but for what is only looked at. */
  readonly limitUpper: CompiledLimit | null
  readonly limitLower: CompiledLimit | null
  /** Null where the decision rule is simple. */
  readonly guardBand: CompiledGuardBand | null
  /** What numbers are rounded to a multiple of before they are compared; null where they are compared as they are. */
  readonly roundingRange: Decimal | null
  /** Below it the number says that a lead was open, not that the unit is good. */
  readonly openLeadMinimum: Bound | null
  readonly contactProof: ContactProof | null
  readonly detector: string | null
  readonly network: string | null
  /** Null for four wires, where the leads are not part of the reading. */
  readonly leadOffset: CompiledLeadOffset | null
  /** A number that was good before the time to read it may end the measurement there. */
  readonly endEarlyOnPass: boolean
  /** Where the tester trips, for a trip that left no number. */
  readonly tripCurrent: Bound | null
}

/** A width that the plan states, or a multiple of the expanded uncertainty of the reading. */
export type CompiledGuardBand =
  | { readonly width: Bound; readonly multiple: null }
  | { readonly width: null; readonly multiple: Decimal }

export interface CompiledLeadOffset {
  readonly most: Bound
  readonly ageMaxMs: Decimal
  readonly ageMaxText: string
}

export interface CompiledStep {
  readonly step: string
  readonly kind: StepKind
  readonly required: boolean
  /** Steps that must have ended before this one starts, at any remove: an optional one may be left out between them. */
  readonly after: readonly number[]
  readonly measurements: readonly CompiledMeasurement[]
}

export interface CompiledRevision {
  readonly variant: string
  readonly decisionRule: PlanContent['decisionRule']['kind']
  /** How ties are rounded, where numbers are. */
  readonly ties: TieRule
  readonly runDurationMaxMs: Decimal
  readonly runDurationMaxText: string
  readonly steps: readonly CompiledStep[]
}

/** A limit that names other variants but not this one. */
export interface LimitMissing {
  readonly missing: {
    readonly step: string
    readonly measurement: string
    readonly member: 'limitUpper' | 'limitLower'
  }
}

/** The stresses whose windows a measured value must lie in, by kind (payloads, upload: measured stress). */
const windowedStresses = {
  'protective-bonding': ['testCurrent', 'dwell'],
  'protective-continuity': ['testCurrent'],
  'electric-strength-ac': ['testVoltage', 'frequency', 'rampUp', 'dwell'],
  'electric-strength-dc': ['testVoltage', 'rampUp', 'dwell'],
  'insulation-resistance': ['testVoltage', 'readAt'],
  'touch-current': ['supplyVoltage', 'frequency'],
  'protective-conductor-current': ['supplyVoltage', 'frequency'],
  'residual-voltage': ['supplyVoltage', 'readAt'],
  inspection: [],
} as const satisfies Record<StepKind, readonly (StressName & WindowName)[]>

/** Compiles the content for a variant; '' where the product has none. */
export function compileRevision(content: PlanContent, variant: string): CompiledRevision | LimitMissing {
  const steps: CompiledStep[] = []
  for (const step of content.steps) {
    const measurements: CompiledMeasurement[] = []
    for (const settings of settingsOf(step)) {
      const compiled = compileMeasurement(content, settings, variant)
      if ('missing' in compiled) return compiled
      measurements.push(compiled)
    }
    const after = stepsBefore(content, step.after, steps)
    steps.push({ step: step.step, kind: step.kind, required: step.required, after, measurements })
  }
  return {
    variant,
    decisionRule: content.decisionRule.kind,
    ties: content.rounding.ties ?? 'half-even',
    runDurationMaxMs: milliseconds(content.runDurationMax),
    runDurationMaxText: textOf(content.runDurationMax),
    steps,
  }
}

const compiledOf = new WeakMap<PlanContent, Map<string, CompiledRevision | LimitMissing>>()

/**
 * The compiled revision, made once per content object and variant. Ask only for variants that the product names: what
 * is made stays as long as the content does.
 */
export function compiledRevision(content: PlanContent, variant: string): CompiledRevision | LimitMissing {
  let byVariant = compiledOf.get(content)
  if (byVariant === undefined) {
    byVariant = new Map()
    compiledOf.set(content, byVariant)
  }
  let compiled = byVariant.get(variant)
  if (compiled === undefined) {
    compiled = compileRevision(content, variant)
    byVariant.set(variant, compiled)
  }
  return compiled
}

function compileMeasurement(
  content: PlanContent,
  settings: Settings,
  variant: string,
): CompiledMeasurement | LimitMissing {
  const { step, measurement, kind } = settings
  const said: AnySettings = settings
  const limits: { limitUpper: CompiledLimit | null; limitLower: CompiledLimit | null } = {
    limitUpper: null,
    limitLower: null,
  }
  for (const member of ['limitUpper', 'limitLower'] as const) {
    const limit = said[member]
    if (!limit) continue
    const digits = limitText(limit, variant)
    if (digits === undefined) return { missing: { step, measurement, member } }
    limits[member] = compileLimit(digits, limit)
  }
  const { residualVoltage, leadOffset, openLeadMinimum, tripCurrent, contactProvenBy } = said
  const { guardBand, roundingRange } = said
  return {
    measurement,
    kind,
    stresses: windowedStresses[kind].map((name) => compileStress(name, said[name])),
    limitInRamp: said.limitInRamp ?? false,
    residualVoltageMost: residualVoltage ? ends('residualVoltage', residualVoltage).most : null,
    ...limits,
    guardBand: guardBand ? compileGuardBand(guardBand) : null,
    roundingRange: roundingRange ? quantityBound(roundingRange).value : null,
    openLeadMinimum: openLeadMinimum ? quantityBound(openLeadMinimum) : null,
    contactProof: contactProvenBy ? compileProof(content, contactProvenBy, measurement) : null,
    detector: said.detector ?? null,
    network: said.network ?? null,
    leadOffset: leadOffset && said.method === 'two-wire' ? compileLeadOffset(leadOffset) : null,
    endEarlyOnPass: said.endEarlyOnPass ?? false,
    tripCurrent: tripCurrent ? quantityBound(tripCurrent) : null,
  }
}

function compileStress(name: StressName & WindowName, window: Window | null | undefined): CompiledStress {
  if (!window) throw new TypeError(`the plan has no ${name}; the content was not read by its schema`)
  return { name, ...ends(name, window) }
}

/** The ends of what the plan accepts. One that is accepted and not stated is the value set. */
function ends(name: WindowName, window: Window): { readonly least: Bound | null; readonly most: Bound | null } {
  const accepted = acceptedEnds(name, window)
  const unit = unitCode(window.unit)
  const end = (side: 'least' | 'most'): Bound | null => {
    const value = accepted[side]
    return value === undefined ? null : { value, unit, text: `${window[side] ?? window.set} ${unit}` }
  }
  return { least: end('least'), most: end('most') }
}

function compileLimit(digits: string, limit: Limit): CompiledLimit {
  const made = bound(digits, limit.unit)
  return { ...made, inclusive: limit.inclusive, written: Object.freeze({ value: digits, unit: made.unit }) }
}

function compileGuardBand({ value, unit, multiple }: GuardBand): CompiledGuardBand {
  if (multiple) return { width: null, multiple: decimal(multiple) }
  if (!value || !unit)
    throw new TypeError('a guard band says neither a width nor a multiple; the content was not checked')
  return { width: bound(value, unit), multiple: null }
}

function compileLeadOffset({ most, ageMax }: LeadOffset): CompiledLeadOffset {
  return { most: quantityBound(most), ageMaxMs: milliseconds(ageMax), ageMaxText: textOf(ageMax) }
}

/** The measurement of the same key proves the contact; where the step has none of that key, all of its measurements. */
function compileProof(content: PlanContent, stepKey: string, measurementKey: string): ContactProof {
  const step = indexOfStep(content, stepKey)
  const keys = content.steps[step]?.measurements.map(({ measurement }) => measurement) ?? []
  const same = keys.indexOf(measurementKey)
  return { step, measurements: same >= 0 ? [same] : keys.map((_, index) => index) }
}

/** The steps named and all that those wait for, each once. Steps wait for ones that stand before them. */
function stepsBefore(content: PlanContent, names: readonly string[], compiled: readonly CompiledStep[]): number[] {
  const direct = names.map((name) => indexOfStep(content, name))
  const before = new Set(direct.flatMap((index) => [index, ...(compiled[index]?.after ?? [])]))
  return [...before].sort((one, other) => one - other)
}

function indexOfStep(content: PlanContent, key: string): number {
  const index = content.steps.findIndex(({ step }) => step === key)
  if (index < 0) throw new TypeError(`the plan has no step '${key}'; the content was not checked`)
  return index
}

function bound(digits: string, unitText: string): Bound {
  const unit = unitCode(unitText)
  return { value: canonical(digits, unitText), unit, text: `${digits} ${unit}` }
}

function quantityBound({ value, unit }: PlanQuantity): Bound {
  return bound(value, unit)
}

const MS_PER_SECOND = decimal(1000)

function milliseconds(time: PlanQuantity): Decimal {
  return multiply(quantityBound(time).value, MS_PER_SECOND)
}

function textOf({ value, unit }: PlanQuantity): string {
  return `${value} ${unitCode(unit)}`
}

/** Whether so many whole milliseconds are more than a bound in milliseconds. */
export function exceedsMs(ms: number, most: Decimal): boolean {
  return compare(decimal(ms), most) > 0
}
