import { compare, type Decimal, isNegative, ONE } from '../exact/decimal.ts'
import { readQuantity } from '../exact/quantity.ts'
import { type Dimension, readUnit, units } from '../exact/unit-codes.ts'
import { type PlanContent, settingsOf } from '../plans/words.ts'
import type { ContentRefusal } from '../platform/problems.ts'
import type { StepKind } from '../rules/words.ts'
import type { Capabilities, StressRange } from './words.ts'

/** The stress that a kind's `range` speaks of: the member of a plan's step, and what it is a quantity of. */
const stressOfKind = {
  'protective-bonding': { member: 'testCurrent', dimension: 'current' },
  'protective-continuity': { member: 'testCurrent', dimension: 'current' },
  'electric-strength-ac': { member: 'testVoltage', dimension: 'voltage' },
  'electric-strength-dc': { member: 'testVoltage', dimension: 'voltage' },
  'insulation-resistance': { member: 'testVoltage', dimension: 'voltage' },
  'touch-current': { member: 'supplyVoltage', dimension: 'voltage' },
  'protective-conductor-current': { member: 'supplyVoltage', dimension: 'voltage' },
  'residual-voltage': { member: 'supplyVoltage', dimension: 'voltage' },
  inspection: undefined, // A look: nothing is applied.
} as const satisfies Record<StepKind, { member: string; dimension: Dimension } | undefined>

/** What the schema of capabilities cannot say: units of the right dimension, bounds the right way round. */
export function checkCapabilities(capabilities: Capabilities): ContentRefusal[] {
  return [...capabilities.kinds.flatMap(checkAccuracy), ...checkRanges(capabilities)]
}

/** A share of what is set, below all of it. */
function checkAccuracy({ kind, accuracy }: Capabilities['kinds'][number], index: number): ContentRefusal[] {
  if (!accuracy) return []
  const pointer = `/kinds/${index}/accuracy`
  const refuse = (member: string, detail: string, code = 'field-invalid') => [
    { pointer: pointer + member, code, detail },
  ]
  if (stressOfKind[kind] === undefined) return refuse('', `${kind} applies nothing, so nothing is set`)
  const unit = readUnit(accuracy.unit)
  if (typeof unit === 'object') return refuse('/unit', 'is not a unit', unit.refused)
  if (units[unit].dimension !== 'ratio') return refuse('/unit', 'must be % or 1')
  const share = accuracyOf(accuracy)
  if (share === undefined || isNegative(share) || compare(share, ONE) >= 0)
    return refuse('/value', 'must be from 0 to below 100 %')
  return []
}

/** The share by which what is set may be missed; undefined where none is stated. */
export function accuracyOf(accuracy: Capabilities['kinds'][number]['accuracy']): Decimal | undefined {
  const read = readQuantity(accuracy)
  return 'quantity' in read ? read.quantity.value : undefined
}

function checkRanges(capabilities: Capabilities): ContentRefusal[] {
  return capabilities.kinds.flatMap(({ kind, range }, index) => {
    if (!range) return []
    const pointer = `/kinds/${index}/range`
    const stress = stressOfKind[kind]
    if (stress === undefined) {
      return [{ pointer, code: 'field-invalid', detail: `${kind} applies nothing, so it has no range` }]
    }
    const unit = readUnit(range.unit)
    if (typeof unit === 'object') return [{ pointer: `${pointer}/unit`, code: unit.refused, detail: 'is not a unit' }]
    if (units[unit].dimension !== stress.dimension) {
      const detail = `the range of ${kind} is one of ${stress.member}, in a unit of ${stress.dimension}`
      return [{ pointer: `${pointer}/unit`, code: 'field-invalid', detail }]
    }
    const [least, most] = [boundOf(range, 'least'), boundOf(range, 'most')]
    if (least === undefined && most === undefined) {
      return [{ pointer, code: 'field-invalid', detail: 'a range has a least or a most' }]
    }
    if (least !== undefined && isNegative(least)) {
      return [{ pointer: `${pointer}/least`, code: 'field-invalid', detail: 'must not be negative' }]
    }
    if (most !== undefined && (isNegative(most) || (least !== undefined && compare(least, most) > 0))) {
      return [
        { pointer: `${pointer}/most`, code: 'field-invalid', detail: 'must not be below the least, nor negative' },
      ]
    }
    return []
  })
}

/** Why an instrument cannot take a revision. `pointer` is RFC 6901 into a programming. */
export interface Misfit {
  readonly pointer: string
  readonly code: 'kind-not-offered' | 'range-exceeded' | 'programs-not-kept' | 'program-unknown' | 'steps-do-not-fit'
  readonly detail: string
}

/** The tester steps a revision needs: one for each planned measurement. What a person looks at takes none. */
export function testerStepCount(content: PlanContent): number {
  return content.steps.reduce((count, step) => count + (step.kind === 'inspection' ? 0 : step.measurements.length), 0)
}

/** Whether the instrument has every kind and range that the revision asks for, whatever its programs. */
export function fitsCapabilities(content: PlanContent, capabilities: Capabilities): Misfit[] {
  return content.steps.flatMap((step): Misfit[] => {
    // A person looks, with no instrument.
    if (step.kind === 'inspection') return []
    const offered = capabilities.kinds.filter(({ kind }) => kind === step.kind)
    if (offered.length === 0) {
      const detail = `step ${step.step} is ${step.kind}, which the instrument does not do`
      return [{ pointer: '/revision', code: 'kind-not-offered', detail }]
    }
    const ranges = offered.map(({ range }) => range)
    const { member } = stressOfKind[step.kind]
    return settingsOf(step).flatMap((settings): Misfit[] => {
      const asked = windowOf(settings, member)
      if (asked === undefined || ranges.some((range) => !range || reaches(range, asked))) return []
      const has = ranges.map((range) => windowText(range ?? undefined)).join(' or ')
      const detail = `step ${step.step}, ${settings.measurement}: ${member} ${windowText(asked)}; the instrument has ${has}`
      return [{ pointer: '/revision', code: 'range-exceeded', detail }]
    })
  })
}

/**
 * Whether the instrument takes the revision in the programs named: kinds and ranges, program numbers within its count,
 * and room for every tester step. A revision may span programs, so the room of all named ones counts together. Empty
 * where it fits.
 */
export function fitsInstrument(
  content: PlanContent,
  capabilities: Capabilities,
  programs: readonly string[],
): Misfit[] {
  const misfits = fitsCapabilities(content, capabilities)
  if (!capabilities.programs) {
    return [...misfits, { pointer: '/programs', code: 'programs-not-kept', detail: 'the instrument keeps no programs' }]
  }
  const { count, stepsEach } = capabilities.programs
  for (const [index, program] of programs.entries()) {
    if (/^[1-9][0-9]{0,5}$/.test(program) && Number(program) <= count) continue
    const detail = `the instrument has the programs 1 to ${count}`
    misfits.push({ pointer: `/programs/${index}`, code: 'program-unknown', detail })
  }
  const needed = testerStepCount(content)
  if (needed > programs.length * stepsEach) {
    const detail = `${needed} tester steps are planned; ${programs.length} programs of ${stepsEach} hold ${programs.length * stepsEach}`
    misfits.push({ pointer: '/programs', code: 'steps-do-not-fit', detail })
  }
  return misfits
}

/** The window that a step, or a measurement of it, gives for a member such as `testVoltage`. */
function windowOf(settings: object, member: string): StressRange | undefined {
  const found: unknown = new Map(Object.entries(settings)).get(member)
  return isRange(found) ? found : undefined
}

function isRange(value: unknown): value is StressRange {
  return typeof value === 'object' && value !== null && 'unit' in value
}

/** A member of a window in the canonical unit; undefined where it is absent, which leaves that side open. */
function boundOf(window: StressRange, member: 'set' | 'least' | 'most'): Decimal | undefined {
  const read = readQuantity({ value: window[member], unit: window.unit })
  return 'quantity' in read ? read.quantity.value : undefined
}

/** Whether an instrument with this range gives what is set or, where nothing is set, anything that the plan accepts. */
function reaches(range: StressRange, asked: StressRange): boolean {
  const least = boundOf(asked, 'set') ?? boundOf(asked, 'least')
  const most = boundOf(asked, 'set') ?? boundOf(asked, 'most')
  const rangeLeast = boundOf(range, 'least')
  const rangeMost = boundOf(range, 'most')
  const isTooHigh = least !== undefined && rangeMost !== undefined && compare(least, rangeMost) > 0
  const isTooLow = most !== undefined && rangeLeast !== undefined && compare(most, rangeLeast) < 0
  return !isTooHigh && !isTooLow
}

/** A window in words: `1250 V`, `1200 to 1287.5 V`, `at least 2 s`. */
export function windowText(window: StressRange | undefined): string {
  if (window === undefined) return 'any'
  const { set, least, most, unit } = window
  if (set) return `${set} ${unit}`
  if (least && most) return `${least} to ${most} ${unit}`
  if (least) return `at least ${least} ${unit}`
  return most ? `at most ${most} ${unit}` : `any ${unit}`
}
