import type { AnySettings, PlanContent, PlannedMeasurement, Step } from '../plans/words.ts'
import {
  type MemberRule,
  planRules,
  type Sayings,
  type SettingName,
  settingNames,
  settingRules,
  stepRules,
} from './diff-members.ts'
import { isReordered, type Pair, type Pairing, pairMeasurements, pairSteps } from './diff-pairs.ts'
import { arrivalSentence, orderSentence, renameSentence, sentenceOf } from './diff-sentences.ts'
import { type Change, changeKinds, type RevisionDiff } from './diff-words.ts'

/** A revision as far as a diff looks at it. */
export interface DiffedRevision {
  readonly revision: number
  readonly digest: string
  readonly content: PlanContent
}

/** What `to` asks otherwise than `from`, another revision of the same plan. */
export function diffRevisions(from: DiffedRevision, to: DiffedRevision): RevisionDiff {
  const changes = diffContents(from.content, to.content)
  const countOf = (kind: Change['kind']) => changes.filter((change) => change.kind === kind).length
  const summary = Object.fromEntries(changeKinds.map((kind) => [kind, countOf(kind)])) as RevisionDiff['summary']
  return {
    plan: to.content.plan,
    from: { revision: from.revision, digest: from.digest },
    to: { revision: to.revision, digest: to.digest },
    tightened: summary.tightened + summary.added > 0,
    loosened: summary.loosened + summary.removed > 0,
    summary,
    changes,
  }
}

/**
 * The changes, those of the plan as a whole first, then step by step in the newer order; what is gone comes last.
 * What is compared is what holds for each measurement, so it makes no difference whether the step or each of its
 * measurements says it, nor in which units.
 */
export function diffContents(from: PlanContent, to: PlanContent): Change[] {
  const nowhere = { step: null, measurement: null, before: '', now: '' }
  const changes = Object.entries<MemberRule<PlanContent>>(planRules).flatMap(([member, rule]) =>
    changesOf({ ...nowhere, member }, rule, { from, to, newNameOf: (step) => step }),
  )
  const { pairs, removed, added } = pairSteps(from.steps, to.steps)
  const newNameOf = renaming(from.steps, to.steps, { pairs, removed, added })
  if (isReordered(pairs)) {
    const keys = orders(
      pairs,
      (index) => from.steps[index]?.step,
      (index) => to.steps[index]?.step,
    )
    const place = { path: '/steps', step: null, measurement: null, member: 'steps' }
    changes.push({ ...unmeasured, ...place, kind: 'reordered', ...keys, sentence: orderSentence(null, keys) })
  }
  const pairOf = new Map(pairs.map((pair) => [pair.to, pair]))
  to.steps.forEach((now, index) => {
    const pair = pairOf.get(index)
    const before = pair && from.steps[pair.from]
    if (pair === undefined || before === undefined) changes.push(stepArrival('added', now, index))
    else changes.push(...diffStep({ before, now, pair, newNameOf }))
  })
  for (const index of removed) {
    const gone = from.steps[index]
    if (gone) changes.push(stepArrival('removed', gone, index))
  }
  return changes
}

const unmeasured = { variants: null, changePercent: null } as const

/**
 * What a step of the older content is called in the newer one. A step that is gone has no name there, unless a new one
 * of another kind took it.
 */
function renaming(
  from: readonly Step[],
  to: readonly Step[],
  { pairs, removed, added }: Pairing,
): (step: string) => string {
  const fresh = new Set(added.map((index) => to[index]?.step))
  const names = new Map<string, string>()
  for (const index of removed) {
    const gone = from[index]?.step ?? ''
    // No key holds a blank, so this is none of the newer names.
    if (!fresh.has(gone)) names.set(gone, `${gone} is gone`)
  }
  for (const pair of pairs) names.set(from[pair.from]?.step ?? '', to[pair.to]?.step ?? '')
  return (step) => names.get(step) ?? step
}

interface StepPair {
  readonly before: Step
  readonly now: Step
  readonly pair: Pair
  readonly newNameOf: (step: string) => string
}

function diffStep({ before, now, pair, newNameOf }: StepPair): Change[] {
  const pointers = { before: `/steps/${pair.from}`, now: `/steps/${pair.to}` }
  const place = { step: now.step, measurement: null, ...pointers }
  const changes: Change[] = []
  if (pair.isRenamed) {
    const keys = { from: before.step, to: now.step }
    const where = { path: `${pointers.now}/step`, step: now.step, measurement: null, member: 'step' }
    changes.push({ ...unmeasured, ...where, kind: 'renamed', ...keys, sentence: renameSentence(where, keys) })
  }
  for (const [member, rule] of Object.entries<MemberRule<Step>>(stepRules)) {
    changes.push(...changesOf({ ...place, member }, rule, { from: before, to: now, newNameOf }))
  }
  const pairing = pairMeasurements(before, now)
  changes.push(...measurementKeys(place, { before, now, pairing }))
  const both: SaidTwice[] = pairing.pairs.flatMap(({ from, to }) => {
    const [ownBefore, ownNow] = [before.measurements[from], now.measurements[to]]
    return ownBefore && ownNow ? [{ from, to, ownBefore, ownNow }] : []
  })
  for (const name of settingNames) changes.push(...diffSetting(name, { before, now, pointers, both, newNameOf }))
  for (const index of pairing.added) changes.push(...measurementArrival('added', place, { holder: now, index }))
  for (const index of pairing.removed) changes.push(...measurementArrival('removed', place, { holder: before, index }))
  return changes
}

/** A measurement that is in both, and what it says itself. */
interface SaidTwice {
  readonly from: number
  readonly to: number
  readonly ownBefore: PlannedMeasurement
  readonly ownNow: PlannedMeasurement
}

interface SettingPlace {
  readonly before: Step
  readonly now: Step
  readonly pointers: Pointers
  readonly both: readonly SaidTwice[]
  readonly newNameOf: (step: string) => string
}

/** Told once where both steps say it for all of their measurements, else measurement by measurement. */
function diffSetting(name: SettingName, { before, now, pointers, both, newNameOf }: SettingPlace): Change[] {
  const rule = settingRules[name]
  const step = now.step
  if (!both.some(({ ownBefore, ownNow }) => says(ownBefore, name) || says(ownNow, name))) {
    const place = { step, measurement: null, ...pointers, member: name }
    return changesOf(place, rule, { from: before, to: now, newNameOf })
  }
  return both.flatMap((one) => {
    const place = {
      step,
      measurement: one.ownNow.measurement,
      before: says(one.ownBefore, name) ? `${pointers.before}/measurements/${one.from}` : pointers.before,
      now: says(one.ownNow, name) ? `${pointers.now}/measurements/${one.to}` : pointers.now,
      member: name,
    }
    const from = settingOf(one.ownBefore, before, name)
    return changesOf(place, rule, { from, to: settingOf(one.ownNow, now, name), newNameOf })
  })
}

/** What holds for a measurement: its own word, else that of its step. A rule looks at nothing but its own setting. */
function settingOf(own: Sayings, step: Sayings, name: SettingName): Sayings {
  return { [name]: own[name] ?? step[name] }
}

function says(measurement: Sayings, name: SettingName): boolean {
  return measurement[name] !== undefined && measurement[name] !== null
}

interface Pointers {
  /** Pointer of what says a member, in the older content. */
  readonly before: string
  /** The same in the newer one. */
  readonly now: string
}

interface Place extends Pointers {
  readonly step: string | null
  readonly measurement: string | null
  readonly member: string
}

function changesOf<Holder>(
  { step, measurement, member, before, now }: Place,
  rule: MemberRule<Holder>,
  { from, to, newNameOf }: { from: Holder; to: Holder; newNameOf: (step: string) => string },
): Change[] {
  return rule.compare(from, to, newNameOf).map((difference) => {
    const { at, aspect: _aspect, variants, ...rest } = difference
    const path = `${difference.kind === 'removed' ? before : now}/${member}${at}`
    const sentence = sentenceOf({ step, measurement }, rule, difference)
    return { path, step, measurement, variants: variants && [...variants], member, ...rest, sentence }
  })
}

function stepArrival(
  kind: 'added' | 'removed',
  { step, kind: what, required, measurements }: Step,
  index: number,
): Change {
  const place = { step, measurement: null }
  const count = measurements.length === 1 ? '1 measurement' : `${measurements.length} measurements`
  const sentence = arrivalSentence(place, kind, `${what}, ${count}${required ? '' : ', not required'}`)
  return { ...unmeasured, path: `/steps/${index}`, ...place, member: null, kind, ...sidesOf(kind, step), sentence }
}

function measurementArrival(
  kind: 'added' | 'removed',
  { step, before, now }: Pointers & { readonly step: string },
  { holder, index }: { readonly holder: Step; readonly index: number },
): Change[] {
  const own = holder.measurements[index]
  if (own === undefined) return []
  const place = { step, measurement: own.measurement }
  const path = `${kind === 'removed' ? before : now}/measurements/${index}`
  const sentence = arrivalSentence(place, kind, connectionWords(holder.kind, own))
  return [{ ...unmeasured, path, ...place, member: null, kind, ...sidesOf(kind, own.measurement), sentence }]
}

function connectionWords(kind: string, { from, to, instruction }: AnySettings): string {
  if (!from) return instruction ? `${kind}, ${instruction}` : kind
  return to ? `${kind} from ${from.join(', ')} to ${to.join(', ')}` : `${kind} from ${from.join(', ')}`
}

function sidesOf(kind: 'added' | 'removed', key: string): { from: string | null; to: string | null } {
  return kind === 'added' ? { from: null, to: key } : { from: key, to: null }
}

/** Measurements that are in both under other keys, or in another order. */
function measurementKeys(
  { step, now: pointer }: Pointers & { readonly step: string },
  { before, now, pairing: { pairs } }: { readonly before: Step; readonly now: Step; readonly pairing: Pairing },
): Change[] {
  const changes: Change[] = []
  const keyBefore = (index: number) => before.measurements[index]?.measurement
  const keyNow = (index: number) => now.measurements[index]?.measurement
  for (const { from, to, isRenamed } of pairs) {
    if (!isRenamed) continue
    const keys = { from: keyBefore(from) ?? '', to: keyNow(to) ?? '' }
    const place = {
      step,
      measurement: keys.to,
      member: 'measurement',
      path: `${pointer}/measurements/${to}/measurement`,
    }
    changes.push({ ...unmeasured, ...place, kind: 'renamed', ...keys, sentence: renameSentence(place, keys) })
  }
  if (isReordered(pairs)) {
    const keys = orders(pairs, keyBefore, keyNow)
    const place = { step, measurement: null, member: 'measurements', path: `${pointer}/measurements` }
    changes.push({ ...unmeasured, ...place, kind: 'reordered', ...keys, sentence: orderSentence(step, keys) })
  }
  return changes
}

/** The keys of what is in both, in the order of each. */
function orders(
  pairs: readonly Pair[],
  keyBefore: (index: number) => string | undefined,
  keyNow: (index: number) => string | undefined,
): { from: string[]; to: string[] } {
  const older = [...pairs].sort((a, b) => a.from - b.from)
  return { from: older.map(({ from }) => keyBefore(from) ?? ''), to: pairs.map(({ to }) => keyNow(to) ?? '') }
}
