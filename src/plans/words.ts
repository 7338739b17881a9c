import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import type { TieRule } from '../exact/decimal.ts'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { type Dimension, readUnit, type UnitCode, unitCodes, units } from '../exact/unit-codes.ts'
import { EffectWire, NumberWire } from '../platform/versioned-words.ts'
import { insulations } from '../products/attributes.ts'
import { type StepKind, stepKinds } from '../rules/words.ts'

export const revisionStates = ['draft', 'in-review', 'approved', 'withdrawn'] as const
export type RevisionState = (typeof revisionStates)[number]

/** How a resistance is contacted; with two wires the leads are part of the reading and an offset is taken off. */
export const bondMethods = ['two-wire', 'four-wire'] as const

/**
 * How a number is placed against a limit (JCGM 106:2012, 8.3; ILAC-G8:09/2019, 4): by the limit alone, or by an acceptance
 * limit that lies inside it by the guard band `w`. In between the number is inconclusive.
 */
export const decisionRules = ['simple', 'guarded'] as const

/** Whether a number is compared as it is, or rounded first. */
export const roundingKinds = ['absolute', 'rounded'] as const

/** Which multiple a number halfway between two goes to: the even one, or the one of greater magnitude. */
export const tieRules = ['half-even', 'half-up'] as const satisfies readonly TieRule[]

/** Whether one run carries the evidence of an operation, or several runs may, step by step. */
export const evidenceSources = ['one-run', 'steps'] as const

/** What of the current is read. Numbers of different detectors are never compared or converted. */
export const detectors = ['rms', 'peak', 'dc'] as const

/** Supply conditions of a touch current measurement (IEC 60990, clause 6): plug polarity and conductors interrupted. */
export const polarities = ['normal', 'reversed'] as const
export const conductorStates = ['closed', 'open'] as const

/** Revision numbers are whole and fit the database's `integer`. */
export const RevisionNumberWire = NumberWire

/** Text of a unit of one dimension. Which code it means is said by `readUnit`, which knows the other spellings. */
function unitOf(dimension: Dimension) {
  const codes = unitCodes.filter((code) => units[code].dimension === dimension)
  return z
    .string()
    .max(16)
    .refine(
      (text) => {
        const code = readUnit(text)
        return typeof code === 'string' && units[code].dimension === dimension
      },
      `must be a unit of ${dimension}: ${codes.join(', ')}`,
    )
}

function quantityOf(dimension: Dimension) {
  return z.strictObject({ value: DecimalTextWire, unit: unitOf(dimension) })
}

/** What the plan sets, and the least and most that it accepts as a valid test, both included. */
function windowOf(dimension: Dimension) {
  return z.strictObject({
    set: DecimalTextWire.nullish(),
    least: DecimalTextWire.nullish(),
    most: DecimalTextWire.nullish(),
    unit: unitOf(dimension),
  })
}

/**
 * A limit: one value, or one by variant; exactly one of the two (checked with the content). `formula` says where the
 * values come from, in the limit's unit, and is compared with them.
 */
function limitOf(dimension: Dimension) {
  return z.strictObject({
    value: DecimalTextWire.nullish(),
    byVariant: z.record(KeyWire, DecimalTextWire).nullish(),
    unit: unitOf(dimension),
    inclusive: z.boolean(),
    formula: TextWire(500).nullish(),
  })
}

/**
 * The guard band `w` of a guarded decision rule: a quantity of the limit's dimension, or a multiple of the expanded
 * uncertainty that the instrument's calibration states for the reading; exactly one of the two (checked with the content).
 */
function guardBandOf(dimension: Dimension) {
  return z.strictObject({
    value: DecimalTextWire.nullish(),
    unit: unitOf(dimension).nullish(),
    multiple: DecimalTextWire.nullish(),
  })
}

/** How a step's numbers are decided beside its limits. */
function decidedIn(dimension: Dimension) {
  return {
    guardBand: guardBandOf(dimension),
    // What a number is rounded to a multiple of, where the plan rounds (the rounding range of ISO 80000-1, Annex B).
    roundingRange: quantityOf(dimension),
  }
}

const voltage = windowOf('voltage')
const time = windowOf('time')
const frequency = windowOf('frequency')
const resistanceLimit = limitOf('resistance')
const currentLimit = limitOf('current')
const current = quantityOf('current')

/** Largest resistance of the leads that may be taken off, and how old its measurement may be. */
const LeadOffsetWire = z.strictObject({
  most: quantityOf('resistance'),
  ageMax: quantityOf('time'),
})

const bonding = {
  testCurrent: windowOf('current'),
  sourceVoltage: voltage,
  dwell: time,
  method: z.enum(bondMethods),
  limitUpper: resistanceLimit,
}

/** Proof that the protective path is there, at a small current. It says nothing about what the path can carry. */
const continuity = {
  testCurrent: windowOf('current'),
  sourceVoltage: voltage,
  method: z.enum(bondMethods),
  limitUpper: resistanceLimit,
}
const bondingOptional = { leadOffset: LeadOffsetWire, limitLower: resistanceLimit, ...decidedIn('resistance') }

const strength = {
  insulation: z.enum(insulations),
  testVoltage: voltage,
  rampUp: time,
  dwell: time,
  tripCurrent: current,
  limitInRamp: z.boolean(),
  detector: z.enum(detectors),
  limitUpper: currentLimit,
}
const strengthOptional = {
  rampDown: time,
  arcDetection: z.strictObject({ threshold: current }),
  limitLower: currentLimit,
  openLeadMinimum: current,
  contactProvenBy: KeyWire,
  ...decidedIn('current'),
}

const insulation = {
  insulation: z.enum(insulations),
  testVoltage: voltage,
  readAt: time,
  endEarlyOnPass: z.boolean(),
  basis: z.literal('as-read', 'in this version a reading is judged as read'),
  residualVoltage: voltage,
  limitLower: resistanceLimit,
}
const insulationOptional = { contactProvenBy: KeyWire, limitUpper: resistanceLimit, ...decidedIn('resistance') }

const leakage = {
  detector: z.enum(detectors),
  supplyVoltage: voltage,
  frequency,
  limitUpper: currentLimit,
}
const leakageOptional = {
  limitLower: currentLimit,
  openLeadMinimum: current,
  contactProvenBy: KeyWire,
  ...decidedIn('current'),
}

/** What is left between terminals a stated time after the supply was cut off. */
const residual = {
  detector: z.enum(detectors),
  supplyVoltage: voltage,
  readAt: time,
  limitUpper: limitOf('voltage'),
}
const residualOptional = { limitLower: limitOf('voltage'), contactProvenBy: KeyWire, ...decidedIn('voltage') }

const Terminals = z.array(KeyWire).min(1).max(50)
const between = { from: Terminals, to: Terminals }
const condition = {
  polarity: z.enum(polarities),
  neutral: z.enum(conductorStates),
  protectiveConductor: z.enum(conductorStates),
}

type Shape = Record<string, z.ZodType>

type Nullish<Given extends Shape> = { [Member in keyof Given]: z.ZodOptional<z.ZodNullable<Given[Member]>> }

function nullish<Given extends Shape>(shape: Given): Nullish<Given> {
  // Object.entries forgets which member has which type; the mapping itself changes no name.
  return Object.fromEntries(Object.entries(shape).map(([name, member]) => [name, member.nullish()])) as Nullish<Given>
}

/** A step of one kind. What holds for its measurements may be said anew on each of them, and holds there alone. */
function stepOf<Kind extends StepKind, Required extends Shape, Optional extends Shape, Connection extends Shape>(
  kind: Kind,
  settings: { required: Required; optional: Optional },
  connection: Connection,
) {
  const optional = nullish(settings.optional)
  return z.strictObject({
    step: KeyWire.describe('Its key, stable across revisions'),
    kind: z.literal(kind),
    required: z.boolean().describe('Whether a run without it is incomplete'),
    after: z.array(KeyWire).max(100).describe('Steps that must have ended before it starts'),
    ...settings.required,
    ...optional,
    measurements: z
      .array(
        z.strictObject({
          measurement: KeyWire.describe('Its key, stable across revisions'),
          ...connection,
          ...nullish(settings.required),
          ...optional,
        }),
      )
      .min(1)
      .max(200)
      .describe('Each planned reading; what is said on the step holds for it unless it says otherwise'),
  })
}

const BondingWire = stepOf('protective-bonding', { required: bonding, optional: bondingOptional }, between)
const StrengthAcWire = stepOf(
  'electric-strength-ac',
  { required: { ...strength, frequency }, optional: strengthOptional },
  between,
)
const StrengthDcWire = stepOf(
  'electric-strength-dc',
  { required: { ...strength, residualVoltage: voltage }, optional: strengthOptional },
  between,
)
const InsulationWire = stepOf('insulation-resistance', { required: insulation, optional: insulationOptional }, between)
const TouchWire = stepOf(
  'touch-current',
  { required: { ...leakage, network: KeyWire }, optional: leakageOptional },
  { ...condition, from: Terminals, to: Terminals.nullish() },
)
const ConductorCurrentWire = stepOf(
  'protective-conductor-current',
  { required: leakage, optional: leakageOptional },
  { ...nullish(condition), from: Terminals.nullish(), to: Terminals.nullish() },
)

const ContinuityWire = stepOf('protective-continuity', { required: continuity, optional: bondingOptional }, between)
const ResidualWire = stepOf('residual-voltage', { required: residual, optional: residualOptional }, between)

/** A person looks, and says whether it is as it should be; nothing is measured. */
const InspectionWire = z.strictObject({
  step: KeyWire.describe('Its key, stable across revisions'),
  kind: z.literal('inspection'),
  required: z.boolean().describe('Whether a run without it is incomplete'),
  after: z.array(KeyWire).max(100).describe('Steps that must have ended before it starts'),
  measurements: z
    .array(
      z.strictObject({
        measurement: KeyWire.describe('Its key, stable across revisions'),
        instruction: TextWire(500).describe('What to look at'),
      }),
    )
    .min(1)
    .max(200),
})

export const StepWire = z.discriminatedUnion(
  'kind',
  [
    BondingWire,
    ContinuityWire,
    StrengthAcWire,
    StrengthDcWire,
    InsulationWire,
    TouchWire,
    ConductorCurrentWire,
    ResidualWire,
    InspectionWire,
  ],
  { error: (issue) => (issue.code === 'invalid_union' ? `must be one of ${stepKinds.join(', ')}` : undefined) },
)

/** Content of a revision: what its digest covers. */
export const PlanContentWire = z
  .strictObject({
    plan: KeyWire.describe('Its key'),
    revision: RevisionNumberWire.describe('Any number above the highest so far'),
    operation: KeyWire.describe('Such as final; a product says which each unit must pass'),
    // Absent: every site that is open at the approval.
    sites: z
      .array(KeyWire)
      .min(1)
      .max(200)
      .nullish()
      .describe('Every site that is open at the approval, where left out'),
    product: KeyWire.describe('Its key'),
    productVersion: NumberWire.describe('Which it was written for'),
    productDigest: DigestWire.describe('Of that version'),
    evidenceFrom: z
      .enum(evidenceSources)
      .describe('one-run: one run must pass wholly; steps: each step may pass in another run'),
    attemptsWithoutCauseMax: z
      .int()
      .min(1)
      .max(100)
      .describe('Attempts at a unit before a cause must be given; kept, and not enforced yet'),
    runDurationMax: quantityOf('time').describe('A longer run is held'),
    decisionRule: z
      .strictObject({ kind: z.enum(decisionRules) })
      .describe('simple: by the limit; guarded: by the limit moved inwards by guardBand of the step'),
    rounding: z
      .strictObject({ kind: z.enum(roundingKinds), ties: z.enum(tieRules).nullish() })
      .describe('absolute: numbers are compared as they are; rounded: to roundingRange of the step first'),
    steps: z.array(StepWire).min(1).max(100).describe('In sequence'),
  })
  .meta({ id: 'PlanContent' })
export type PlanContent = z.infer<typeof PlanContentWire>
export type Step = PlanContent['steps'][number]
export type StepOf<Kind extends StepKind> = Extract<Step, { kind: Kind }>
export type PlannedMeasurement<Kind extends StepKind = StepKind> = StepOf<Kind>['measurements'][number]
export type Window = z.infer<typeof voltage>
export type PlanQuantity = z.infer<typeof current>
export type Limit = z.infer<typeof currentLimit>
/** Of a step of any kind that has limits. */
export interface GuardBand {
  readonly value?: string | null | undefined
  readonly unit?: string | null | undefined
  readonly multiple?: string | null | undefined
}
export type LeadOffset = z.infer<typeof LeadOffsetWire>

export const RevisionDraftWire = z
  .strictObject({ content: PlanContentWire, changeReason: TextWire(1000).nullish() })
  .meta({ id: 'PlanRevisionDraft' })
export type RevisionDraft = z.infer<typeof RevisionDraftWire>

export const ApprovalWire = z
  .strictObject({
    digest: DigestWire,
    inForceFrom: EffectWire,
    meaning: TextWire(200),
    comment: TextWire(1000).nullish(),
  })
  .meta({ id: 'PlanApproval' })
export type Approval = z.infer<typeof ApprovalWire>

/** A withdrawal holds from its commit on; a member `from`, which would reach back, is unknown in this version. */
export const WithdrawalWire = z.strictObject({ reason: TextWire(1000) }).meta({ id: 'PlanWithdrawal' })
export type Withdrawal = z.infer<typeof WithdrawalWire>

/** The code of a unit in content that its schema has let through. A TypeError for any other text is a bug. */
export function unitCode(text: string): UnitCode {
  const code = readUnit(text)
  if (typeof code !== 'string') throw new TypeError(`'${text}' is no unit; the content was not read by its schema`)
  return code
}

/** What holds for one measurement of a step of this kind: the step's members and the measurement's own. */
export type SettingsOf<Kind extends StepKind> = Kind extends StepKind
  ? Omit<StepOf<Kind>, 'measurements'> & PlannedMeasurement<Kind>
  : never
export type Settings = SettingsOf<StepKind>

type MemberName<Union> = Union extends unknown ? keyof Union : never
type MemberOf<Union, Name> = Union extends unknown ? (Name extends keyof Union ? Union[Name] : never) : never
/** Settings, a step or a measurement of whatever kind: a member that the kind does not have is absent. */
export type AnySettings = { readonly [Name in MemberName<Settings>]?: MemberOf<Settings, Name> | null | undefined }

/**
 * What holds for each measurement, in the plan's order: the step's members, replaced by those that the measurement says
 * itself. An absent member and null are the same, so a measurement can say a thing anew but not take it away.
 */
export function settingsOf<S extends Step>(step: S): SettingsOf<S['kind']>[] {
  const { measurements, ...common } = step
  return measurements.map((measurement) => {
    const settings: Record<string, unknown> = { ...common }
    for (const [name, member] of Object.entries(measurement)) {
      if (member !== null && member !== undefined) settings[name] = member
    }
    // Each member keeps the type that its kind gives it; the compiler cannot follow that through the entries.
    return settings as unknown as SettingsOf<S['kind']>
  })
}

/** The digits of a limit for a variant ('' where the product has none); undefined where it names no such variant. */
export function limitText(limit: Limit, variant: string): string | undefined {
  if (limit.value !== null && limit.value !== undefined) return limit.value
  const byVariant = limit.byVariant ?? {}
  return Object.hasOwn(byVariant, variant) ? byVariant[variant] : undefined
}
