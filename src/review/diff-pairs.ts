import { canonicalText } from '../exact/canonical.ts'
import { formatDecimal } from '../exact/decimal.ts'
import { canonical } from '../plans/windows.ts'
import { type Settings, type Step, settingsOf, unitCode } from '../plans/words.ts'

/** One thing in both contents, by its index in each. `isRenamed`: found by what it says, under another key. */
export interface Pair {
  readonly from: number
  readonly to: number
  readonly isRenamed: boolean
}

export interface Pairing {
  /** In the order of the newer content. */
  readonly pairs: readonly Pair[]
  /** Indices in the older content. */
  readonly removed: readonly number[]
  /** Indices in the newer content. */
  readonly added: readonly number[]
}

interface Item {
  /** What makes it the same thing in both. */
  readonly key: string
  /** What it says, without its own key. Asked only of what is left over, since it takes long. */
  readonly content: () => string
}

/** Steps are the same by key and kind: a step of another kind is another test, whatever it is called. */
export function pairSteps(from: readonly Step[], to: readonly Step[]): Pairing {
  const itemOf = (step: Step) => ({ key: `${step.step} ${step.kind}`, content: () => contentOfStep(step) })
  return pairUp(from.map(itemOf), to.map(itemOf))
}

/** Measurements of a step that is in both. What the step says for them belongs to what they say. */
export function pairMeasurements(before: Step, now: Step): Pairing {
  return pairUp(measurementItems(before), measurementItems(now))
}

function measurementItems(step: Step): Item[] {
  let settings: Settings[] | undefined
  return step.measurements.map(({ measurement }, index) => ({
    key: measurement,
    content: () => {
      settings ??= settingsOf(step)
      const own = settings[index]
      return own === undefined ? '' : contentOfMeasurement(own)
    },
  }))
}

/**
 * Pairs by key first. What is left over on both sides is a change of key where exactly one of each side says the same;
 * several that say the same cannot be told apart, and are gone and new.
 */
function pairUp(from: readonly Item[], to: readonly Item[]): Pairing {
  const byKey = new Map(from.map(({ key }, index) => [key, index]))
  const known = new Set(to.map(({ key }) => key))
  const gone = groupByContent(from, ({ key }) => !known.has(key))
  const fresh = groupByContent(to, ({ key }) => !byKey.has(key))
  const renamed = new Map<number, number>()
  for (const [content, [now, ...others]] of fresh) {
    const [before, ...othersBefore] = gone.get(content) ?? []
    if (now === undefined || before === undefined || others.length > 0 || othersBefore.length > 0) continue
    renamed.set(now, before)
  }
  const pairs: Pair[] = []
  const added: number[] = []
  to.forEach(({ key }, index) => {
    const [same, other] = [byKey.get(key), renamed.get(index)]
    if (same !== undefined) pairs.push({ from: same, to: index, isRenamed: false })
    else if (other !== undefined) pairs.push({ from: other, to: index, isRenamed: true })
    else added.push(index)
  })
  const paired = new Set(pairs.map((pair) => pair.from))
  return { pairs, removed: [...from.keys()].filter((index) => !paired.has(index)), added }
}

function groupByContent(items: readonly Item[], isLeft: (item: Item) => boolean): Map<string, number[]> {
  const groups = new Map<string, number[]>()
  items.forEach((item, index) => {
    if (!isLeft(item)) return
    const content = item.content()
    const group = groups.get(content)
    if (group) group.push(index)
    else groups.set(content, [index])
  })
  return groups
}

/** Whether things that are in both stand in another order. */
export function isReordered(pairs: readonly Pair[]): boolean {
  return pairs.some(({ from }, index) => index > 0 && from < (pairs[index - 1]?.from ?? from))
}

/** References to other steps are left out: these may have been renamed as well, and are compared afterwards. */
function contentOfStep(step: Step): string {
  const settings: Settings[] = settingsOf(step)
  const measurements = settings.map((one) => `${one.measurement} ${contentOfMeasurement(one)}`).sort()
  return canonicalText([step.kind, step.required, measurements])
}

function contentOfMeasurement(settings: Settings): string {
  const { step: _step, after: _after, measurement: _measurement, ...rest } = settings
  const { contactProvenBy: _proof, ...content } = { contactProvenBy: null, ...rest }
  return canonicalText(inOneUnit(content))
}

/** The same with every quantity in the canonical unit of its dimension, and lists (of terminals) in one order. */
function inOneUnit(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(inOneUnit).sort()
  if (typeof value !== 'object' || value === null) return value
  const { unit, ...members } = value as Record<string, unknown>
  if (typeof unit !== 'string') return mapMembers(members, inOneUnit)
  const digits = (member: unknown) => (typeof member === 'string' ? formatDecimal(canonical(member, unit)) : member)
  const { formula, byVariant, ...numbers } = members
  const variants = typeof byVariant === 'object' && byVariant !== null ? mapMembers(byVariant, digits) : null
  // A formula is in the unit of its limit.
  const computed = typeof formula === 'string' ? { formula, unit: unitCode(unit) } : null
  return { ...mapMembers(numbers, digits), byVariant: variants, computed }
}

function mapMembers(members: object, map: (member: unknown) => unknown): Record<string, unknown> {
  return Object.fromEntries(Object.entries(members).map(([name, member]) => [name, map(member)]))
}
