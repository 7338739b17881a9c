import {
  compare,
  type Decimal,
  decimal,
  divide,
  isZero,
  least as lesser,
  multiply,
  roundDown,
  roundUp,
} from '../exact/decimal.ts'
import { capacitanceOf, capacitiveCurrent, chargingCurrent, type ProductSubject } from '../plans/physics.ts'
import { liesAcrossLiveAndEarth } from '../plans/product-match.ts'
import { type Box, roomOf } from './bounds.ts'
import { type Building, type Built, headOf, readingsFor } from './building.ts'
import { knownLeast, knownLimit, knownMinimum, knownTrip } from './known.ts'
import { greatestOf, limitOf, optionalLimit, upperLimit } from './limits.ts'
import {
  about,
  byDefault,
  byRule,
  duration,
  isAboveZero,
  lowerEnd,
  quantity,
  type Reasoned,
  type Said,
  stress,
  together,
  upperEnd,
  windowOf,
  word,
  written,
} from './said.ts'
import { nominal } from './supply.ts'
import type { Wanted, WantedMeasurement } from './wanted.ts'

const plain = (literal: string, because: string): Reasoned => ({ value: decimal(literal), why: byDefault(because) })

/** Where no rule says a number. Common practice of routine tests, no source. */
const usual = {
  testVoltage: plain('1000', '1000 V are usual for basic insulation of mains products.'),
  dwell: plain('1', 'One second is usual in production.'),
  tripCurrent: plain('0.005', '5 mA are usual for small products.'),
  limitUpper: plain('0.005', 'The trip current, as nothing is known of the current that a sound unit draws.'),
  residualVoltage: plain('60', 'At most 60 V may be left before the guard is opened.'),
  rampUp: plain('1', 'A voltage that rises within one second.'),
  rampLongest: plain('5', 'A longer ramp is another test.'),
}
const HALF = decimal('0.5')
const FREQUENCY_SHARE = decimal('0.02')
/** Below this no lead that is on is taken for open, where nothing is known of a unit’s current. */
const SMALL = decimal('0.00001')
const TENTH = decimal('0.1')

/** Electric strength: the least voltage and time demanded; a limit and a minimum about the current that a sound unit draws. */
export function buildStrength(wanted: Wanted, box: Box, building: Building): Built | undefined {
  const isAc = wanted.kind === 'electric-strength-ac'
  const { variants, stated } = building
  const voltage = stress(roomOf(box, 'testVoltage'), knownLeast(wanted, 'testVoltage') ?? usual.testVoltage, building)
  const time = duration(roomOf(box, 'dwell'), knownLeast(wanted, 'dwell') ?? usual.dwell)
  const hertz = isAc
    ? about(
        roomOf(box, 'frequency'),
        nominal(building, 'ratedFrequency'),
        FREQUENCY_SHARE,
        '2 % about the frequency of the test.',
      )
    : undefined
  if (!voltage?.least || !voltage.most || !time || (isAc && !hertz)) return undefined
  const ramp = rampOf(box, { least: voltage.least, most: voltage.most })
  if (!ramp) return undefined
  const open: Built['open'][number][] = []
  const current = { voltage, hertz, ramp }
  const trip = tripOf(
    wanted,
    box,
    greatestOf(variants.flatMap((variant) => expectedOf(wanted, building, variant, current)?.greatest ?? [])),
  )
  const inRamp = limitInRamp(box, wanted, building, current, trip)
  const limits = new Map<string, Reasoned>()
  let leastCurrent: { readonly value: Decimal; readonly computed: string } | undefined
  let isUnknown = false
  for (const variant of variants) {
    const expected = expectedOf(wanted, building, variant, current)
    const isDrawn = expected && (isAc || inRamp.value)
    isUnknown ||= isAc && !expected
    const comparable = { detector: isAc ? stated.detector : 'dc', testVoltage: voltage }
    const readings = readingsFor(wanted, building, { variant, side: 'upper', comparable })
    const asked = {
      ...(isDrawn && { greatest: expected.greatest, computed: expected.computed }),
      readings,
      otherwise: knownLimit(wanted, 'limitUpper', variant) ?? lesserTrip(trip),
      trip: trip.value,
    }
    limits.set(variant, upperLimit(roomOf(box, 'limitUpper', variant), asked, 'mA'))
    if (isAc && expected && (!leastCurrent || compare(expected.least, leastCurrent.value) < 0)) {
      leastCurrent = { value: expected.least, computed: expected.computedLeast }
    }
  }
  if (isUnknown)
    open.push({
      pointer: '/limitUpper',
      text: 'The current of a sound unit is not known from the product: measure good units and set limit and open lead minimum about it.',
    })
  const highest = [...limits.values()].reduce((a, { value }) => lesser(a, value), trip.value)
  // A minimum for one variant must not make good units of another invalid.
  const known = knownMinimum(wanted)
  const isKept = isUnknown && known && compare(known.value, highest) < 0
  const minimum = isAc ? (isKept ? known : minimumOf(isUnknown ? undefined : leastCurrent, highest)) : undefined
  const apart = minimum ? measuredApart(wanted, building, minimumOf(undefined, highest)) : undefined
  if (apart && apart.why.length > 0) {
    const text =
      'Not all connections here lie across the capacitance of the product: measure good units and set the small minima about them.'
    open.push({ pointer: '/measurements', text })
  }
  const step = together({
    ...headOf(wanted),
    ...(apart && { measurements: apart }),
    insulation: word(wanted.insulation ?? 'basic', {
      source: 'product',
      because: 'What the product declares between these circuits.',
    }),
    testVoltage: windowOf(voltage, 'V'),
    frequency: hertz && windowOf(hertz, 'Hz'),
    rampUp: windowOf(ramp, 's'),
    dwell: windowOf(time, 's'),
    residualVoltage: isAc ? undefined : residualOf(box),
    tripCurrent: quantity(trip, 'mA'),
    limitInRamp: inRamp,
    detector: word(
      isAc ? stated.detector : 'dc',
      byDefault(isAc ? 'Limits are usually meant as rms.' : 'The current is direct.'),
    ),
    limitUpper: limitOf(limits, 'mA'),
    limitLower: optionalLimit(box, 'limitLower', variants, 'mA'),
    openLeadMinimum: minimum && quantity(minimum, 'mA'),
  })
  return { step, open }
}

/** Measurements that do not lie across live and earth draw no current that is known: each has a small minimum of its own. */
function measuredApart(
  { measurements }: Wanted,
  { variants, subjectsOf }: Building,
  small: Reasoned,
): Said | undefined {
  const subjects = variants.flatMap(subjectsOf)
  const isApart = measurements.map((one) => !subjects.every((subject) => isAcross(one, subject)))
  if (isApart.every((apart) => apart) || !isApart.includes(true)) return undefined
  const { value: openLeadMinimum } = quantity(small, 'mA')
  return {
    value: measurements.map((one, index) => (isApart[index] ? { ...one, openLeadMinimum } : one)),
    why: measurements.flatMap((_, index) =>
      isApart[index]
        ? [{ pointer: `/${index}/openLeadMinimum/value`, value: openLeadMinimum.value, why: small.why }]
        : [],
    ),
  }
}

interface Current {
  readonly voltage: { readonly least?: Reasoned | undefined; readonly most?: Reasoned | undefined }
  readonly hertz: { readonly least?: Reasoned | undefined; readonly most?: Reasoned | undefined } | undefined
  readonly ramp: { readonly set?: Reasoned | undefined; readonly least?: Reasoned | undefined }
}

/** The current of sound units of a variant, between which ends; undefined where the product does not say. Amperes. */
function expectedOf(
  { measurements }: Wanted,
  { subjectsOf }: Building,
  variant: string,
  { voltage, hertz, ramp }: Current,
) {
  let found: { least: Decimal; greatest: Decimal; computed: string; computedLeast: string } | undefined
  for (const subject of subjectsOf(variant)) {
    const capacitance = capacitanceOf(subject.attributes)
    if (!capacitance || !voltage.most || !voltage.least || !measurements.some((one) => isAcross(one, subject))) continue
    const nano = (value: Decimal) => `${written(value, 'nF')} nF`
    if (hertz?.least && hertz.most) {
      const greatest = capacitiveCurrent(hertz.most.value, capacitance.greatest, voltage.most.value)
      const least = capacitiveCurrent(hertz.least.value, capacitance.least, voltage.least.value)
      const computed = (farads: Decimal, volts: Decimal, per: Decimal) =>
        `2 pi f C U with ${nano(farads)}, ${written(volts, 'V')} V and ${written(per, 'Hz')} Hz`
      if (!found || compare(greatest, found.greatest) > 0) {
        const text = computed(capacitance.greatest, voltage.most.value, hertz.most.value)
        found = {
          least: found ? lesser(found.least, least) : least,
          greatest,
          computed: text,
          computedLeast: computed(capacitance.least, voltage.least.value, hertz.least.value),
        }
      } else found = { ...found, least: lesser(found.least, least) }
      continue
    }
    const seconds = ramp.least ?? ramp.set
    if (!seconds || isZero(seconds.value)) continue
    const greatest = chargingCurrent(capacitance.greatest, voltage.most.value, seconds.value)
    const computed = `C U / t with ${nano(capacitance.greatest)}, ${written(voltage.most.value, 'V')} V and ${written(seconds.value, 's')} s`
    if (!found || compare(greatest, found.greatest) > 0)
      found = { least: greatest, greatest, computed, computedLeast: computed }
  }
  return found
}

function isAcross({ from, to }: WantedMeasurement, { connections, attributes }: ProductSubject): boolean {
  return liesAcrossLiveAndEarth({ from: from ?? [], to: to ?? [] }, connections, attributes.get('protectionClass'))
}

/** The plan's own trip, or twice what a sound unit draws, within what rules allow; sound units must not reach it. */
function tripOf(wanted: Wanted, box: Box, expected: Decimal | undefined): Reasoned {
  const room = roomOf(box, 'tripCurrent')
  const [least, most] = [lowerEnd(room), upperEnd(room)]
  const isAbove = ({ value }: Reasoned) => !expected || compare(value, expected) > 0
  const known = knownTrip(wanted)
  let chosen: Reasoned | undefined = known && isAbove(known) ? known : undefined
  if (!chosen && expected && isAboveZero(expected)) {
    const why = { source: 'physics', because: 'Twice the most that a sound unit draws.' } as const
    chosen = { value: roundUp(multiply(decimal(2), expected), 2), why }
  }
  chosen ??= most ?? usual.tripCurrent
  if (least && compare(chosen.value, least.value) < 0) chosen = least
  return most && compare(chosen.value, most.value) > 0 ? most : chosen
}

function lesserTrip(trip: Reasoned): Reasoned {
  return compare(trip.value, usual.limitUpper.value) < 0
    ? { value: trip.value, why: usual.limitUpper.why }
    : usual.limitUpper
}

/** Whether the limit holds in the ramp: where no rule says so, and charging alone would pass it, it does not. */
function limitInRamp(box: Box, wanted: Wanted, building: Building, current: Current, trip: Reasoned): Said<boolean> {
  const { flag } = roomOf(box, 'limitInRamp')
  if (flag) return word(flag.flag, byRule(flag))
  if (wanted.kind === 'electric-strength-dc') {
    for (const variant of building.variants) {
      const expected = expectedOf(wanted, building, variant, current)
      const limit = upperEnd(roomOf(box, 'limitUpper', variant)) ?? trip
      if (expected && compare(expected.greatest, limit.value) >= 0)
        return word(false, {
          source: 'physics',
          because: `Charging alone draws more than the limit: ${expected.computed}.`,
        })
    }
  }
  return word(true, byDefault('A breakdown while the voltage rises is one as well.'))
}

/** The ramp, within what rules say of its time and of the rate at which the voltage rises. */
function rampOf(box: Box, voltage: { readonly least: Reasoned; readonly most: Reasoned }) {
  const time = roomOf(box, 'rampUp')
  const rate = roomOf(box, 'rampRate')
  let [least, most] = [lowerEnd(time), upperEnd(time)]
  const [slowest, fastest] = [lowerEnd(rate), upperEnd(rate)]
  if (fastest) {
    if (!isAboveZero(fastest.value)) return undefined
    const shortest = roundUp(divide(voltage.most.value, fastest.value), 4)
    if (!least || compare(shortest, least.value) > 0) least = { value: shortest, why: fastest.why }
  }
  if (slowest && isAboveZero(slowest.value)) {
    const longest = roundDown(divide(voltage.least.value, slowest.value), 4)
    if (!most || compare(longest, most.value) < 0) most = { value: longest, why: slowest.why }
  }
  if (least && most && compare(least.value, most.value) > 0) return undefined
  let set: Reasoned = usual.rampUp
  if (least && compare(set.value, least.value) < 0) set = least
  if (most && compare(set.value, most.value) > 0) set = most
  most ??= compare(usual.rampLongest.value, set.value) < 0 ? set : usual.rampLongest
  return { set, least, most }
}

/** Half of the least that a sound unit draws; where that is not known, a number that no unit that draws any falls below. */
function minimumOf(
  current: { readonly value: Decimal; readonly computed: string } | undefined,
  limit: Decimal,
): Reasoned {
  if (current && isAboveZero(current.value)) {
    const because = `Half of ${written(roundDown(current.value, 3), 'mA')} mA, the least that a sound unit draws: ${current.computed}.`
    return { value: roundDown(multiply(current.value, HALF), 2), why: { source: 'physics', because } }
  }
  const value = lesser(SMALL, roundDown(multiply(limit, TENTH), 2))
  return { value, why: byDefault('A small number, as nothing is known of what a sound unit draws.') }
}

function residualOf(box: Box): Said {
  const room = roomOf(box, 'residualVoltage')
  const [least, upper] = [lowerEnd(room), upperEnd(room)]
  const most = upper ?? (least && compare(least.value, usual.residualVoltage.value) > 0 ? least : usual.residualVoltage)
  return windowOf({ least, most }, 'V')
}
