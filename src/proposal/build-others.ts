import { compare, decimal, multiply, roundDown } from '../exact/decimal.ts'
import { type Box, roomOf } from './bounds.ts'
import { type Building, type Built, headOf, readingsFor } from './building.ts'
import type { Distribution } from './distribution.ts'
import { knownLeast, knownLimit, knownMinimum } from './known.ts'
import { limitOf, lowerLimit, optionalLimit, upperLimit } from './limits.ts'
import {
  about,
  byDefault,
  isAboveZero,
  lowerEnd,
  quantity,
  type Reasoned,
  stress,
  together,
  upperEnd,
  windowOf,
  word,
} from './said.ts'
import { nominal } from './supply.ts'
import type { Wanted } from './wanted.ts'

const plain = (literal: string, because: string): Reasoned => ({ value: decimal(literal), why: byDefault(because) })

/** Where no rule says a number. Common practice of routine tests, no source. */
const usual = {
  insulationVoltage: plain('500', '500 V d.c. are usual for mains products.'),
  insulationLimit: plain('1000000', '1 MOhm is the usual least.'),
  readAt: {
    set: plain('1', 'Read after one second.'),
    least: plain('1', 'An earlier number is of charging.'),
    most: plain('2', 'Later numbers are of another time.'),
  },
  residualVoltage: plain('60', 'At most 60 V may be left before the guard is opened.'),
  touchLimit: plain('0.00025', '0.25 mA, the least of the usual limits.'),
  conductorLimit: plain('0.0035', '3.5 mA is usual for products with a plug.'),
  residualLimit: plain('60', '60 V are usually taken as not dangerous.'),
  residualReadAt: {
    set: plain('0.9', 'Just within one second after the plug is drawn.'),
    least: plain('0.8', 'Read earlier a bad number proves nothing.'),
    most: plain('1', 'Read later any unit looks good.'),
  },
}
/** Supply in a leakage test: the rated voltage by so much, for the highest that a mains supply has. Common practice. */
const SUPPLY = decimal('1.06')
const SUPPLY_SHARE = decimal('0.02')
/** A source of supply is steadier than a source of high voltage. Common practice. */
const supplyMiss = {
  share: decimal('0.01'),
  why: byDefault('1 % about what is set, as a source of supply may miss it by that much.'),
}
const FREQUENCY_SHARE = decimal('0.02')
const HALF = decimal('0.5')

export function buildInsulation(wanted: Wanted, box: Box, building: Building): Built | undefined {
  const { variants } = building
  const voltage = stress(
    roomOf(box, 'testVoltage'),
    knownLeast(wanted, 'testVoltage') ?? usual.insulationVoltage,
    building,
  )
  if (!voltage) return undefined
  const limits = new Map<string, Reasoned>()
  for (const variant of variants) {
    const readings = readingsFor(wanted, building, { variant, side: 'lower', comparable: { testVoltage: voltage } })
    const asked = { readings, otherwise: knownLimit(wanted, 'limitLower', variant) ?? usual.insulationLimit }
    limits.set(variant, lowerLimit(roomOf(box, 'limitLower', variant), asked, 'MOhm'))
  }
  const residual = roomOf(box, 'residualVoltage')
  const least = lowerEnd(residual)
  const most =
    upperEnd(residual) ??
    (least && compare(least.value, usual.residualVoltage.value) > 0 ? least : usual.residualVoltage)
  const step = together({
    ...headOf(wanted),
    insulation: word(wanted.insulation ?? 'basic', {
      source: 'product',
      because: 'What the product declares between these circuits.',
    }),
    testVoltage: windowOf(voltage, 'V'),
    readAt: windowOf(usual.readAt, 's'),
    endEarlyOnPass: word(false, byDefault('The number is read at its time, so that units can be compared.')),
    basis: word('as-read', byDefault('Readings are judged as read.')),
    residualVoltage: windowOf({ least, most }, 'V'),
    limitLower: limitOf(limits, 'MOhm'),
    limitUpper: optionalLimit(box, 'limitUpper', variants, 'MOhm'),
  })
  return {
    step,
    open: openLimit(limits, '/limitLower', 'No rule in effect says the least insulation resistance: decide it.'),
  }
}

/** Touch current and the current in the protective conductor, at the highest supply. */
export function buildLeakage(wanted: Wanted, box: Box, building: Building): Built | undefined {
  const isTouch = wanted.kind === 'touch-current'
  const { variants, stated, reach, miss } = building
  const rated = nominal(building, 'ratedVoltage')
  const highest: Reasoned = {
    value: multiply(rated.value, SUPPLY),
    why: byDefault('1.06 times the rated voltage, the highest that a mains supply has.'),
  }
  const supply = stress({}, highest, { reach, miss: miss ?? supplyMiss })
  const hertz = about(
    roomOf(box, 'frequency'),
    nominal(building, 'ratedFrequency'),
    FREQUENCY_SHARE,
    '2 % about the frequency of the supply.',
  )
  if (!supply || !hertz) return undefined
  const limits = new Map<string, Reasoned>()
  const low: (Distribution | undefined)[] = []
  for (const variant of variants) {
    const comparable = { detector: stated.detector, testVoltage: supply }
    const readings = readingsFor(wanted, building, { variant, side: 'upper', comparable })
    const asked = {
      readings,
      otherwise: knownLimit(wanted, 'limitUpper', variant) ?? (isTouch ? usual.touchLimit : usual.conductorLimit),
    }
    limits.set(variant, upperLimit(roomOf(box, 'limitUpper', variant), asked, 'mA'))
    low.push(readingsFor(wanted, building, { variant, side: 'lower', comparable }))
  }
  // One minimum holds for every variant, so the readings of every one must be known.
  const lowest = lowestOf(low)
  const isBelowAll = ({ value }: Reasoned) => [...limits.values()].every((limit) => compare(value, limit.value) < 0)
  const minimum = [lowest && minimumOf(lowest), knownMinimum(wanted)].find((one) => one && isBelowAll(one))
  const open = [
    ...openLimit(limits, '/limitUpper', 'No rule in effect limits this current: decide the limit.'),
    ...(minimum
      ? []
      : [
          {
            pointer: '',
            text: 'What a sound unit reads here is not known from the product: measure good units and state an openLeadMinimum, since an open lead reads as the best possible number.',
          },
        ]),
  ]
  const step = together({
    ...headOf(wanted),
    ...(isTouch && { network: word(stated.network, byDefault('The network for perception and reaction.')) }),
    detector: word(stated.detector, byDefault('Limits are usually meant as rms.')),
    supplyVoltage: windowOf(supply, 'V'),
    frequency: windowOf(hertz, 'Hz'),
    limitUpper: limitOf(limits, 'mA'),
    limitLower: optionalLimit(box, 'limitLower', variants, 'mA'),
    openLeadMinimum: minimum && quantity(minimum, 'mA'),
  })
  return { step, open }
}

function lowestOf(distributions: readonly (Distribution | undefined)[]): Distribution | undefined {
  let lowest: Distribution | undefined
  for (const one of distributions) {
    if (!one?.lower) return undefined
    if (!lowest?.lower || compare(one.lower, lowest.lower) < 0) lowest = one
  }
  return lowest
}

/** Half of the least that units which passed have read. */
function minimumOf({ lower, count }: Distribution): Reasoned | undefined {
  if (!lower || !isAboveZero(lower)) return undefined
  const because = `Half of the 0.135 % quantile of ${count} readings of units that passed.`
  return { value: roundDown(multiply(lower, HALF), 2), why: { source: 'readings', because } }
}

export function buildResidual(wanted: Wanted, box: Box, building: Building): Built | undefined {
  const { variants } = building
  const rated = nominal(building, 'ratedVoltage')
  const supply = about({}, rated, SUPPLY_SHARE, '2 % about the rated voltage.')
  if (!supply) return undefined
  const limits = new Map<string, Reasoned>()
  for (const variant of variants) {
    limits.set(
      variant,
      upperLimit(
        roomOf(box, 'limitUpper', variant),
        { otherwise: knownLimit(wanted, 'limitUpper', variant) ?? usual.residualLimit },
        'V',
      ),
    )
  }
  const step = together({
    ...headOf(wanted),
    detector: word('peak', byDefault('What is left is a direct voltage of unknown polarity; its peak counts.')),
    supplyVoltage: windowOf(supply, 'V'),
    readAt: windowOf(usual.residualReadAt, 's'),
    limitUpper: limitOf(limits, 'V'),
    limitLower: optionalLimit(box, 'limitLower', variants, 'V'),
  })
  return {
    step,
    open: [
      ...openLimit(limits, '/limitUpper', 'No rule in effect says what voltage may be left: decide it.'),
      { pointer: '/readAt', text: 'No rule can say when it is read: decide it by how soon the pins can be touched.' },
    ],
  }
}

function openLimit(limits: ReadonlyMap<string, Reasoned>, pointer: string, text: string) {
  return [...limits.values()].some(({ why }) => why.source === 'default') ? [{ pointer, text }] : []
}
