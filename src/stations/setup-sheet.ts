import { writeInstant } from '../exact/time.ts'
import {
  type AnySettings,
  type Limit,
  limitText,
  type PlanContent,
  type RevisionState,
  type Settings,
  type Step,
  type StepOf,
  settingsOf,
} from '../plans/words.ts'
import { fitsCapabilities, fitsInstrument, testerStepCount, windowText } from './capability.ts'
import { cautionsFor, GOVERNING } from './cautions.ts'
import type { SetupSheet, SheetInspection, SheetMark, SheetTesterStep } from './setup-sheet-words.ts'
import type { Capabilities, StressRange } from './words.ts'

export interface SheetFacts {
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
  readonly state: RevisionState
  readonly content: PlanContent
  readonly productName: string
  /** Of the answer, milliseconds since the epoch. */
  readonly at: number
  /** Those that the revision covers at the site ('' alone where the product has none). */
  readonly variants: readonly string[]
  /** The one asked for; undefined: every one. */
  readonly variant: string | undefined
  readonly station: { readonly station: string; readonly name: string; readonly site: string } | undefined
  readonly instrument:
    | { readonly instrument: string; readonly name: string; readonly capabilities: Capabilities }
    | undefined
  /** Programs of the current programming, in its order; empty where it is still to be keyed in. */
  readonly programs: readonly string[]
  readonly revisionNow: {
    /** At the station's site, or anywhere without a station. */
    readonly isInForce: boolean
    readonly isChecked: boolean
    readonly isBlocked: boolean
  }
  /** Editions that bind this revision only by a reason stated at their publication. */
  readonly stated: readonly { readonly table: string; readonly edition: number; readonly reason: string }[]
}

/**
 * What a person keys into a tester for a revision: the tester steps in order, each with settings, connection and limits,
 * split into programs as the instrument keeps them, with what stands against using it and the usual cautions.
 */
export function setupSheet(facts: SheetFacts): SetupSheet {
  const { content } = facts
  const named = facts.variants.filter((variant) => variant !== '')
  const shown = facts.variant === undefined ? named : [facts.variant]
  const { programs, leftOver } = inPrograms(
    facts,
    content.steps.flatMap((step) => (step.kind === 'inspection' ? [] : sheetSteps(step, shown))),
  )
  const marks = [...marksOf(facts), ...misfitMarks(facts, leftOver)]
  return {
    plan: facts.plan,
    revision: facts.revision,
    revisionDigest: facts.revisionDigest,
    state: facts.state,
    product: content.product,
    productName: facts.productName,
    at: writeInstant(facts.at),
    productVersion: content.productVersion,
    operation: content.operation,
    variant: facts.variant ?? null,
    variants: named,
    station: facts.station ?? null,
    instrument: facts.instrument
      ? {
          instrument: facts.instrument.instrument,
          name: facts.instrument.name,
          note: capabilityNote(content, facts.instrument.capabilities),
          fits: marks.every(({ code }) => code !== 'instrument-not-capable'),
          capacity: capacityOf(content, facts.instrument.capabilities),
        }
      : null,
    programs,
    leftOver,
    inspections: content.steps.flatMap((step) => (step.kind === 'inspection' ? inspectionsOf(step) : [])),
    marks,
    cautions: cautionsFor(content.steps.map(({ kind }) => kind)),
    governing: GOVERNING,
  }
}

/**
 * Tester steps by the programs that hold them, as many to each as it takes; a revision may span programs. What goes beyond
 * all that the instrument has is left over.
 */
function inPrograms(
  facts: SheetFacts,
  steps: readonly Omit<SheetTesterStep, 'testerStep'>[],
): Pick<SetupSheet, 'programs' | 'leftOver'> {
  const kept = facts.instrument?.capabilities.programs
  const each = kept?.stepsEach ?? steps.length
  const programs: SetupSheet['programs'] = []
  const numbered = (some: typeof steps) => some.map((step, index) => ({ testerStep: index + 1, ...step }))
  for (let first = 0; first < steps.length; first += each) {
    if (kept && programs.length === kept.count) return { programs, leftOver: numbered(steps.slice(first)) }
    const testerSteps = numbered(steps.slice(first, first + each))
    programs.push({ program: facts.programs[programs.length] ?? null, testerSteps })
  }
  return { programs, leftOver: [] }
}

type Capacity = NonNullable<SetupSheet['instrument']>['capacity']

function capacityOf(content: PlanContent, { programs }: Capabilities): Capacity {
  if (!programs) return null
  const testerSteps = testerStepCount(content)
  const { count, stepsEach } = programs
  return { testerSteps, programsNeeded: Math.ceil(testerSteps / stepsEach), programs: count, stepsEach }
}

function capabilityNote(content: PlanContent, capabilities: Capabilities): string {
  const capacity = capacityOf(content, capabilities)
  if (capacity === null)
    return `${testerStepCount(content)} tester steps; the instrument keeps no programs, so they are sent with each test.`
  const { testerSteps, programsNeeded, programs, stepsEach } = capacity
  return `${testerSteps} tester steps need ${programsNeeded} of its ${programs} programs, which hold ${stepsEach} each.`
}

function marksOf(facts: SheetFacts): SheetMark[] {
  const { revisionNow, state } = facts
  const marks: SheetMark[] = []
  if (state === 'draft' || state === 'in-review') {
    marks.push({ code: 'not-approved', text: `This revision is ${state}: do not key it in for production.` })
  } else if (state === 'withdrawn')
    marks.push({ code: 'withdrawn', text: 'This revision was withdrawn: do not use it.' })
  else if (!revisionNow.isInForce) marks.push({ code: 'not-in-force', text: 'This revision is not in force here now.' })
  if (revisionNow.isBlocked)
    marks.push({ code: 'blocked', text: 'This revision is blocked: runs under it are refused.' })
  if (!revisionNow.isChecked) {
    marks.push({ code: 'unchecked', text: 'This revision has not been checked with the rules of today.' })
  }
  for (const { table, edition, reason } of facts.stated) {
    marks.push({
      code: 'bound-by-stated-reason',
      text: `Edition ${edition} of ${table} binds by a stated reason: ${reason}`,
    })
  }
  return marks
}

/** Why the instrument cannot take the revision: kinds and ranges that it has not, tester steps that no program holds. */
function misfitMarks({ content, instrument, programs }: SheetFacts, leftOver: readonly SheetTesterStep[]): SheetMark[] {
  if (!instrument) return []
  const { capabilities } = instrument
  const misfits =
    programs.length > 0 ? fitsInstrument(content, capabilities, programs) : fitsCapabilities(content, capabilities)
  const texts = misfits.map(({ detail }) => detail)
  if (leftOver.length > 0 && capabilities.programs) {
    const { count, stepsEach } = capabilities.programs
    const which = leftOver.map(({ step, measurement }) => `${step} ${measurement}`).join(', ')
    texts.push(
      `its programs (${count}, of ${stepsEach} steps each) hold ${count * stepsEach} tester steps, so these are left over: ${which}`,
    )
  }
  return texts.map((text) => ({ code: 'instrument-not-capable', text }))
}

function inspectionsOf({ step, required, after, measurements }: StepOf<'inspection'>): SheetInspection[] {
  return measurements.map(({ measurement, instruction }) => ({
    step,
    measurement,
    required,
    after: [...after],
    instruction,
  }))
}

// ------------------------------------------------------------------------------------------------ one tester step

function sheetSteps(step: Step, variants: readonly string[]): Omit<SheetTesterStep, 'testerStep'>[] {
  return settingsOf(step).map((settings) => ({
    step: step.step,
    measurement: settings.measurement,
    kind: step.kind,
    required: step.required,
    after: [...step.after],
    connection: connectionOf(settings),
    settings: settingLines(settings),
    limits: limitsOf(settings, variants),
    notes: [...notesOf(settings), ...decisionNotes(settings)],
  }))
}

/** Members of a step that are windows or single values, in the order in which one keys them in. */
const numberSettings = [
  'testVoltage',
  'testCurrent',
  'sourceVoltage',
  'supplyVoltage',
  'frequency',
  'rampUp',
  'dwell',
  'readAt',
  'rampDown',
  'tripCurrent',
  'residualVoltage',
  'openLeadMinimum',
] as const
const wordSettings = ['method', 'detector', 'network'] as const
const flagSettings = ['limitInRamp', 'endEarlyOnPass'] as const

function settingLines(settings: Settings): SheetTesterStep['settings'] {
  const members = new Map<string, unknown>(Object.entries(settings))
  const lines: SheetTesterStep['settings'] = []
  for (const setting of numberSettings) {
    const line = numberLine(setting, members.get(setting))
    if (line) lines.push(line)
  }
  const arc = 'arcDetection' in settings ? settings.arcDetection : undefined
  if (arc) lines.push(valueLine('arcDetection', arc.threshold))
  for (const setting of wordSettings) {
    const word = members.get(setting)
    if (typeof word === 'string') lines.push({ setting, ...blank, text: word })
  }
  for (const setting of flagSettings) {
    const flag = members.get(setting)
    if (typeof flag === 'boolean') lines.push({ setting, ...blank, text: flag ? 'on' : 'off' })
  }
  return lines
}

const blank = { set: null, least: null, most: null, unit: null }

function numberLine(setting: string, given: unknown): SheetTesterStep['settings'][number] | undefined {
  if (typeof given !== 'object' || given === null) return undefined
  if (isValue(given)) return valueLine(setting, given)
  return isWindow(given) ? windowLine(setting, given) : undefined
}

function isValue(given: object): given is { value: string; unit: string } {
  return 'value' in given && 'unit' in given
}

function isWindow(given: object): given is StressRange {
  return 'unit' in given
}

function valueLine(
  setting: string,
  { value, unit }: { readonly value: string; readonly unit: string },
): SheetTesterStep['settings'][number] {
  return { setting, set: value, least: null, most: null, unit, text: `${value} ${unit}` }
}

function windowLine(setting: string, window: StressRange): SheetTesterStep['settings'][number] {
  const { set, least, most, unit } = window
  const accepted = least || most ? windowText({ least, most, unit }) : undefined
  const text = set
    ? `set ${set} ${unit}${accepted === undefined ? '' : `; accepted: ${accepted}`}`
    : `accepted: ${windowText(window)}`
  return { setting, set: set ?? null, least: least ?? null, most: most ?? null, unit, text }
}

/** The limits of each variant shown; one entry without a variant where none differs. */
function limitsOf(settings: Settings, variants: readonly string[]): SheetTesterStep['limits'] {
  const lower = 'limitLower' in settings ? settings.limitLower : undefined
  const upper = 'limitUpper' in settings ? settings.limitUpper : undefined
  const isByVariant = Boolean(lower?.byVariant) || Boolean(upper?.byVariant)
  return (isByVariant ? variants : [null]).map((variant) => ({
    variant,
    limitLower: limitFor(lower, variant ?? ''),
    limitUpper: limitFor(upper, variant ?? ''),
  }))
}

function limitFor(limit: Limit | null | undefined, variant: string): SheetTesterStep['limits'][number]['limitUpper'] {
  const value = limit ? limitText(limit, variant) : undefined
  return limit && value !== undefined ? { value, unit: limit.unit, inclusive: limit.inclusive } : null
}

function connectionOf(settings: Settings): SheetTesterStep['connection'] {
  const from = 'from' in settings && settings.from ? [...settings.from] : []
  const to = 'to' in settings && settings.to ? [...settings.to] : []
  const polarity = 'polarity' in settings ? (settings.polarity ?? null) : null
  const neutral = 'neutral' in settings ? (settings.neutral ?? null) : null
  const protectiveConductor = 'protectiveConductor' in settings ? (settings.protectiveConductor ?? null) : null
  const said = [
    polarity && `supply in ${polarity} polarity`,
    neutral && `neutral ${neutral}`,
    protectiveConductor && `protective conductor ${protectiveConductor}`,
    from.length > 0 && `from ${from.join(' and ')}${to.length > 0 ? ` to ${to.join(' and ')}` : ''}`,
    settings.kind === 'electric-strength-dc' && 'the first is positive',
    settings.kind === 'residual-voltage' && 'after the supply is cut off',
  ].filter((part) => typeof part === 'string')
  return { from, to, polarity, neutral, protectiveConductor, text: said.join('; ') }
}

/** How numbers near a limit are decided, so that nobody wonders at a verdict that the display does not show. */
function decisionNotes({ guardBand, roundingRange }: AnySettings): string[] {
  const notes: string[] = []
  if (roundingRange) {
    notes.push(
      `The number is rounded to a multiple of ${roundingRange.value} ${roundingRange.unit} before it is compared.`,
    )
  }
  if (guardBand) {
    const width = guardBand.multiple
      ? `${guardBand.multiple} times the expanded uncertainty of the instrument`
      : `${guardBand.value} ${guardBand.unit}`
    notes.push(`A number closer to its limit than ${width} decides nothing: the unit neither passes nor fails.`)
  }
  return notes
}

function notesOf(settings: Settings): string[] {
  const notes: string[] = []
  if ('leadOffset' in settings && settings.leadOffset) {
    const { most, ageMax } = settings.leadOffset
    notes.push(
      `Measure the leads first: at most ${most.value} ${most.unit}, not older than ${ageMax.value} ${ageMax.unit}.`,
    )
  }
  if ('openLeadMinimum' in settings && settings.openLeadMinimum) {
    const { value, unit } = settings.openLeadMinimum
    notes.push(`Below ${value} ${unit} a lead is open: the test says nothing about the unit.`)
  }
  if ('contactProvenBy' in settings && settings.contactProvenBy) {
    notes.push(`Contact is proven by step ${settings.contactProvenBy}: do not change the connection in between.`)
  }
  if ('limitInRamp' in settings && settings.limitInRamp)
    notes.push('The upper limit holds while the voltage rises as well.')
  if (settings.after.length > 0) notes.push(`Only after ${settings.after.join(' and ')}.`)
  return notes
}
