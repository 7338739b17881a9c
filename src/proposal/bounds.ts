/** What rules leave of each parameter of a step: a lower end, an upper end, a yes or no; each with the row that set it. */
import { compare, type Decimal } from '../exact/decimal.ts'
import type { Demand } from '../rules/demand.ts'
import type { Parameter, StepKind } from '../rules/words.ts'
import type { RuleSource } from './words.ts'

/** The row of a demand, and in words what would have done as well. */
export interface Origin {
  readonly rule: RuleSource
  /** What the row demands, such as `testVoltage >= 1200 V, dwell >= 1 s`. */
  readonly demands: string
  /** Rows that would do in its place, in the same words; '' where there are none. */
  readonly instead: string
}

export interface Bound {
  readonly value: Decimal
  readonly isOpen: boolean
  readonly origin: Origin
}

export interface Room {
  readonly lower?: Bound | undefined
  readonly upper?: Bound | undefined
  readonly flag?: { readonly flag: boolean; readonly origin: Origin } | undefined
}

export interface Box {
  /** By `roomKey`. */
  readonly rooms: ReadonlyMap<string, Room>
  /** Kinds of step that must come later. */
  readonly precedes: ReadonlyMap<StepKind, Origin>
}

export const unbounded: Box = { rooms: new Map(), precedes: new Map() }
const noRoom: Room = {}

/** Limits may differ by variant; everything else is the step's. */
function roomKey(parameter: Parameter, variant: string): string {
  return parameter === 'limitUpper' || parameter === 'limitLower' ? `${parameter} ${variant}` : parameter
}

/** What is left of a parameter; of a limit, for a variant. */
export function roomOf(box: Box, parameter: Parameter, variant = ''): Room {
  return box.rooms.get(roomKey(parameter, variant)) ?? noRoom
}

/** The box with one more demand of a step; undefined where nothing would be left, or the kind of step has no such thing. */
export function narrow(
  box: Box,
  demand: Demand,
  { kind, variant, origin }: { readonly kind: StepKind; readonly variant: string; readonly origin: Origin },
): Box | undefined {
  const { parameter } = demand
  if (!isOffered(kind, demand)) return undefined
  if (demand.kind === 'kinds') {
    const precedes = new Map(box.precedes)
    for (const later of demand.kinds) if (!precedes.has(later)) precedes.set(later, origin)
    return { ...box, precedes }
  }
  const key = roomKey(parameter, variant)
  const narrowed = narrowRoom(box.rooms.get(key) ?? noRoom, demand, origin)
  return narrowed && { ...box, rooms: new Map(box.rooms).set(key, narrowed) }
}

function narrowRoom(room: Room, demand: Exclude<Demand, { kind: 'kinds' }>, origin: Origin): Room | undefined {
  if (demand.kind === 'flag') {
    if (room.flag && room.flag.flag !== demand.flag) return undefined
    return { ...room, flag: room.flag ?? { flag: demand.flag, origin } }
  }
  let { lower, upper } = room
  if (demand.kind === 'range') {
    lower = higher(lower, { value: demand.lower.value, isOpen: demand.lower.open, origin })
    upper = lesser(upper, { value: demand.upper.value, isOpen: demand.upper.open, origin })
  } else {
    const bound = { value: demand.value, isOpen: false, origin }
    if (demand.relation !== '<=') lower = higher(lower, bound)
    if (demand.relation !== '>=') upper = lesser(upper, bound)
  }
  if (lower && upper) {
    const side = compare(lower.value, upper.value)
    if (side > 0 || (side === 0 && (lower.isOpen || upper.isOpen))) return undefined
  }
  return { ...room, lower, upper }
}

function higher(a: Bound | undefined, b: Bound): Bound {
  if (!a) return b
  const side = compare(b.value, a.value)
  return side > 0 || (side === 0 && b.isOpen && !a.isOpen) ? b : a
}

function lesser(a: Bound | undefined, b: Bound): Bound {
  if (!a) return b
  const side = compare(b.value, a.value)
  return side < 0 || (side === 0 && b.isOpen && !a.isOpen) ? b : a
}

/** Whether a step of the kind has such a parameter at all. */
export function isOffered(kind: StepKind, { kind: nature, parameter }: Demand): boolean {
  return nature === 'kinds' ? parameter === 'precedes' : offered[kind].has(parameter)
}

const limits = ['limitUpper', 'limitLower'] as const
const strength = ['testVoltage', 'dwell', 'rampUp', 'rampRate', 'tripCurrent', 'limitInRamp', ...limits] as const

/** The parameters that a step of each kind has; of others a plan says nothing, so no demand on them can be met. */
const offered: Readonly<Record<StepKind, ReadonlySet<Parameter>>> = {
  'protective-bonding': new Set(['testCurrent', 'sourceVoltage', 'dwell', ...limits]),
  'protective-continuity': new Set(['testCurrent', 'sourceVoltage', ...limits]),
  'electric-strength-ac': new Set([...strength, 'frequency']),
  'electric-strength-dc': new Set([...strength, 'residualVoltage']),
  'insulation-resistance': new Set(['testVoltage', 'residualVoltage', ...limits]),
  'touch-current': new Set(['frequency', ...limits]),
  'protective-conductor-current': new Set(['frequency', ...limits]),
  'residual-voltage': new Set(limits),
  inspection: new Set(),
}
