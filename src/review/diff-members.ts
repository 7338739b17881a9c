import { canonicalText } from '../exact/canonical.ts'
import { decimal } from '../exact/decimal.ts'
import type { WindowName } from '../plans/windows.ts'
import type {
  AnySettings,
  GuardBand,
  LeadOffset,
  PlanContent,
  PlannedMeasurement,
  PlanQuantity,
  Step,
} from '../plans/words.ts'
import { compareLimits } from './diff-limits.ts'
import {
  arrival,
  compareCounts,
  compareDemand,
  compareFlags,
  compareNames,
  compareQuantities,
  compareWindows,
  compareWords,
  type Difference,
  directionOf,
  type Maybe,
  type Tighter,
  whole,
  within,
} from './diff-values.ts'

/** How one member is called in a sentence, what is said where it is absent, and how two contents differ in it. */
export interface MemberRule<Holder> {
  readonly words: string
  readonly absent?: string
  readonly compare: (from: Holder, to: Holder, newNameOf: (step: string) => string) => Difference[]
}

type KeysOf<Union> = Union extends unknown ? keyof Union : never
/** What a measurement may say of itself, whatever the kind of its step. */
export type SettingName = Exclude<KeysOf<PlannedMeasurement>, 'measurement'>

type WordName =
  | 'method'
  | 'detector'
  | 'network'
  | 'insulation'
  | 'basis'
  | 'polarity'
  | 'neutral'
  | 'protectiveConductor'
  | 'instruction'

/** All that a step or one of its measurements may say, whatever the kind. */
export type Sayings = AnySettings

/**
 * What each setting is. A new one does not compile until its direction is said here: a reading has to stay within its
 * limits; a test has to stay within its windows, trip early, see an open lead, and take little off for its leads.
 */
export const settingRules = {
  limitUpper: limit('limitUpper', 'upper limit', 'less'),
  limitLower: limit('limitLower', 'lower limit', 'more'),
  guardBand: { words: 'guard band', compare: ({ guardBand: from }, { guardBand: to }) => compareGuardBands(from, to) },
  roundingRange: {
    words: 'rounding range',
    // A coarser one lets some numbers pass that failed and fails others.
    compare: ({ roundingRange: from }, { roundingRange: to }) => asChanged(compareQuantities(from, to, 'less')),
  },
  openLeadMinimum: quantity('openLeadMinimum', 'open lead minimum', 'more'),
  testVoltage: window('testVoltage', 'test voltage'),
  testCurrent: window('testCurrent', 'test current'),
  sourceVoltage: window('sourceVoltage', 'source voltage'),
  supplyVoltage: window('supplyVoltage', 'supply voltage'),
  frequency: window('frequency', 'frequency'),
  rampUp: window('rampUp', 'time of rise'),
  dwell: window('dwell', 'time at full stress'),
  rampDown: window('rampDown', 'time of fall'),
  readAt: window('readAt', 'time of reading'),
  residualVoltage: window('residualVoltage', 'residual voltage'),
  tripCurrent: quantity('tripCurrent', 'trip current', 'less'),
  arcDetection: {
    words: 'threshold of arc detection',
    compare: ({ arcDetection: from }, { arcDetection: to }) => {
      const differences = compareQuantities(from?.threshold, to?.threshold, 'less')
      return from && to ? within('threshold', differences) : differences
    },
  },
  leadOffset: { words: 'offset allowed for the leads', compare: (from, to) => compareLeadOffsets(from, to) },
  limitInRamp: flag('limitInRamp', 'limit during the rise', true),
  endEarlyOnPass: flag('endEarlyOnPass', 'early end on a pass', false),
  method: word('method', 'method'),
  detector: word('detector', 'detector'),
  network: word('network', 'network'),
  insulation: word('insulation', 'insulation tested'),
  basis: word('basis', 'basis of the reading'),
  contactProvenBy: {
    words: 'step that proves contact',
    compare: (from, to, newNameOf) =>
      compareDemand(from.contactProvenBy, to.contactProvenBy, (before, now) => newNameOf(before) === now),
  },
  instruction: word('instruction', 'instruction'),
  from: { words: 'connection from', compare: (from, to) => compareNames(from.from, to.from) },
  to: { words: 'connection to', compare: (from, to) => compareNames(from.to, to.to) },
  polarity: word('polarity', 'polarity of the supply'),
  neutral: word('neutral', 'neutral conductor'),
  protectiveConductor: word('protectiveConductor', 'protective conductor'),
} as const satisfies Record<SettingName, MemberRule<Sayings>>

/** In the order in which changes are told. */
export const settingNames = Object.keys(settingRules) as SettingName[]

/** What a step alone may say. */
export const stepRules = {
  required: {
    words: 'duty to run the step',
    compare: (from, to) => compareFlags(from.required, to.required, true),
  },
  after: {
    words: 'list of steps that come before it',
    compare: (from, to, newNameOf) => compareNames(from.after, to.after, { tighter: 'more', newNameOf }),
  },
} as const satisfies Record<
  Exclude<KeysOf<Step>, SettingName | 'step' | 'kind' | 'measurements'>,
  MemberRule<Pick<Step, 'required' | 'after'>>
>

/** What the plan says as a whole. */
export const planRules = {
  operation: { words: 'operation', compare: (from, to) => compareWords(from.operation, to.operation) },
  sites: { words: 'list of sites', absent: 'every site', compare: (from, to) => compareNames(from.sites, to.sites) },
  product: { words: 'product', compare: (from, to) => compareWords(from.product, to.product) },
  productVersion: {
    words: 'product version',
    compare: (from, to) => compareWords(from.productVersion, to.productVersion),
  },
  productDigest: {
    words: 'digest of the product version',
    // Another version has another digest; only of the same one it is news.
    compare: (from, to) =>
      from.product === to.product && from.productVersion === to.productVersion
        ? compareWords(from.productDigest, to.productDigest)
        : [],
  },
  evidenceFrom: {
    words: 'source of evidence',
    compare: (from, to) => compareChoice(from.evidenceFrom, to.evidenceFrom, 'one-run'),
  },
  attemptsWithoutCauseMax: {
    words: 'greatest number of attempts without a cause',
    compare: (from, to) => compareCounts(from.attemptsWithoutCauseMax, to.attemptsWithoutCauseMax, 'less'),
  },
  runDurationMax: {
    words: 'longest duration of a run',
    compare: (from, to) => compareQuantities(from.runDurationMax, to.runDurationMax, 'less'),
  },
  decisionRule: {
    words: 'decision rule',
    compare: (from, to) => compareChoice(from.decisionRule.kind, to.decisionRule.kind, 'guarded'),
  },
  rounding: { words: 'rounding', compare: (from, to) => compareWords(ruleText(from.rounding), ruleText(to.rounding)) },
} as const satisfies Record<Exclude<keyof PlanContent, 'plan' | 'revision' | 'steps'>, MemberRule<PlanContent>>

function limit(name: 'limitUpper' | 'limitLower', words: string, tighter: Tighter): MemberRule<Sayings> {
  return { words, compare: (from, to) => compareLimits(from[name], to[name], tighter) }
}

function window(name: WindowName, words: string): MemberRule<Sayings> {
  return { words, compare: (from, to) => compareWindows(name, from[name], to[name]) }
}

function quantity(name: 'openLeadMinimum' | 'tripCurrent', words: string, tighter: Tighter): MemberRule<Sayings> {
  return { words, compare: (from, to) => compareQuantities(from[name], to[name], tighter) }
}

function word(name: WordName, words: string): MemberRule<Sayings> {
  return { words, compare: (from, to) => compareWords(from[name], to[name]) }
}

function flag(name: 'limitInRamp' | 'endEarlyOnPass', words: string, tighter: boolean): MemberRule<Sayings> {
  return { words, compare: (from, to) => compareFlags(from[name] ?? false, to[name] ?? false, tighter) }
}

/** A rule with nothing but its kind is called by it. */
function ruleText(rule: { readonly kind: string }): string {
  return Object.keys(rule).length === 1 ? rule.kind : canonicalText(rule)
}

/** Two words of which one asks more. */
function compareChoice(from: string, to: string, tighter: string): Difference[] {
  const [difference] = compareFlags(from === tighter, to === tighter, true)
  return difference === undefined ? [] : [{ ...difference, from, to }]
}

function asChanged(differences: readonly Difference[]): Difference[] {
  return differences.map((difference) => ({
    ...difference,
    kind: difference.kind === 'added' || difference.kind === 'removed' ? difference.kind : 'changed',
  }))
}

/** A wider band lets less pass. A width and a multiple cannot be compared without the instrument. */
function compareGuardBands(from: Maybe<GuardBand>, to: Maybe<GuardBand>): Difference[] {
  const [before, now] = [widthOf(from), widthOf(to)]
  if (before && now) return compareQuantities(before, now, 'more')
  const [factor, newFactor] = [from?.multiple ?? null, to?.multiple ?? null]
  if (factor !== null && newFactor !== null) {
    const kind = directionOf(decimal(factor), decimal(newFactor), 'more')
    return kind === null ? [] : [{ ...whole, kind, at: '/multiple', from: factor, to: newFactor }]
  }
  const [old, fresh] = [from ? guardBandText(from) : null, to ? guardBandText(to) : null]
  return old === null || fresh === null ? arrival(old, fresh) : compareWords(old, fresh)
}

function widthOf(guardBand: Maybe<GuardBand>): PlanQuantity | undefined {
  return guardBand?.value && guardBand.unit ? { value: guardBand.value, unit: guardBand.unit } : undefined
}

function guardBandText({ value, unit, multiple }: GuardBand): string {
  return multiple ? `${multiple} times the expanded uncertainty` : `${value} ${unit}`
}

function compareLeadOffsets({ leadOffset: from }: Sayings, { leadOffset: to }: Sayings): Difference[] {
  if (!from || !to) return arrival(from ? leadOffsetText(from) : null, to ? leadOffsetText(to) : null)
  return [
    ...within('most', compareQuantities(from.most, to.most, 'less')),
    ...within('ageMax', compareQuantities(from.ageMax, to.ageMax, 'less')),
  ]
}

function leadOffsetText({ most, ageMax }: LeadOffset): string {
  return `at most ${most.value} ${most.unit}, at most ${ageMax.value} ${ageMax.unit} old`
}
