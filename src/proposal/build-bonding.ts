import { add, compare, decimal, multiply, roundUp } from '../exact/decimal.ts'
import { type Box, roomOf } from './bounds.ts'
import { type Building, type Built, headOf, readingsFor } from './building.ts'
import { knownLeast, knownLimit } from './known.ts'
import { greatestOf, limitOf, optionalLimit, upperLimit } from './limits.ts'
import {
  byDefault,
  duration,
  lowerEnd,
  quantity,
  type Reasoned,
  stress,
  together,
  upperEnd,
  windowOf,
  word,
} from './said.ts'
import type { Wanted } from './wanted.ts'

const plain = (literal: string, because: string): Reasoned => ({ value: decimal(literal), why: byDefault(because) })

/** Where no rule says a number. Common practice of routine tests, no source. */
const usual = {
  'protective-bonding': {
    testCurrent: plain('10', '10 A show a path that can carry a fault.'),
    sourceVoltage: plain('12', 'At most 12 V from the source.'),
    limitUpper: plain('0.1', '100 mOhm without the supply cord.'),
  },
  'protective-continuity': {
    testCurrent: plain('0.2', '0.2 A show that the path is there.'),
    sourceVoltage: plain('24', 'At most 24 V from the source.'),
    limitUpper: plain('0.5', '500 mOhm at a small current.'),
  },
} as const
const dwell = plain('1', 'One second is enough for a steady number.')
const leads = {
  most: plain('0.03', 'Leads of at most 30 mOhm can be told from the path.'),
  ageMax: plain('43200', 'Leads are measured once a shift.'),
}

/** Bonding and continuity: a current through the protective path, the least that is demanded. */
export function buildBonding(wanted: Wanted, box: Box, building: Building): Built | undefined {
  const kind = wanted.kind === 'protective-bonding' ? wanted.kind : 'protective-continuity'
  const { variants, stated } = building
  const current = stress(
    roomOf(box, 'testCurrent'),
    knownLeast(wanted, 'testCurrent') ?? usual[kind].testCurrent,
    building,
  )
  const time = duration(roomOf(box, 'dwell'), knownLeast(wanted, 'dwell') ?? dwell)
  if (!current?.least || !time) return undefined
  const open: Built['open'][number][] = []
  const limits = new Map<string, Reasoned>()
  for (const variant of variants) {
    const comparable = { testCurrent: current }
    const readings = readingsFor(wanted, building, { variant, side: 'upper', comparable })
    const expected = { readings, otherwise: knownLimit(wanted, 'limitUpper', variant) ?? usual[kind].limitUpper }
    limits.set(variant, upperLimit(roomOf(box, 'limitUpper', variant), expected, 'mOhm'))
  }
  if ([...limits.values()].some(({ why }) => why.source === 'default')) {
    open.push({
      pointer: '/limitUpper',
      text: 'No rule in effect limits this resistance: say what it may be, cord included.',
    })
  }
  const isTwoWire = stated.method === 'two-wire'
  const path = greatestOf([...limits.values()].map(({ value }) => value)) ?? decimal(0)
  const source = sourceVoltage(box, usual[kind].sourceVoltage, {
    current: current.least,
    resistance: isTwoWire ? add(path, leads.most.value) : path,
  })
  if (!source) return undefined
  if (isTwoWire)
    open.push({ pointer: '/leadOffset', text: 'Measure the leads of the station and set what they may have.' })
  else
    open.push({
      pointer: '/method',
      text: 'See that the station contacts the path with four wires, else plan two-wire with a lead offset.',
    })
  const step = together({
    ...headOf(wanted),
    testCurrent: windowOf(current, 'A'),
    sourceVoltage: windowOf(source, 'V'),
    ...(kind === 'protective-bonding' && { dwell: windowOf(time, 's') }),
    method: word(
      stated.method,
      byDefault('With four wires no lead is part of the reading; with two an offset is taken off.'),
    ),
    ...(isTwoWire && {
      leadOffset: together({ most: quantity(leads.most, 'mOhm'), ageMax: quantity(leads.ageMax, 'h') }),
    }),
    limitUpper: limitOf(limits, 'mOhm'),
    limitLower: optionalLimit(box, 'limitLower', variants, 'mOhm'),
  })
  return { step, open }
}

/** What the source gives at most: enough for a unit on its limit, unless a rule says less. */
function sourceVoltage(
  box: Box,
  otherwise: Reasoned,
  { current, resistance }: { readonly current: Reasoned; readonly resistance: Reasoned['value'] },
) {
  const room = roomOf(box, 'sourceVoltage')
  const [least, most] = [lowerEnd(room), upperEnd(room)]
  if (most) return { least, most }
  const needed = roundUp(multiply(current.value, resistance), 2)
  const enough: Reasoned =
    compare(needed, otherwise.value) > 0
      ? {
          value: needed,
          why: { source: 'physics', because: 'A unit on its limit must still be measured at the least current.' },
        }
      : otherwise
  return { least, most: least && compare(least.value, enough.value) > 0 ? least : enough }
}
