import { formatDecimal } from '../../exact/decimal.ts'
import { inUnit, readQuantity } from '../../exact/quantity.ts'
import { writeInstant } from '../../exact/time.ts'
import type { UploadWire } from '../../intake/words.ts'
import { limitText, type PlanContent, type Step, settingsOf } from '../../plans/words.ts'
import type { ProductContent } from '../../products/words.ts'
import type { Chance } from './chance.ts'

/**
 * The readings of one run of a plan, as a tester would show them for a unit of that product: computed from what the
 * product declares, with some spread. For looks; nothing here decides anything, so it is done in plain numbers.
 */

export type Run = Omit<UploadWire, 'sentAt'>
type RunStep = Run['steps'][number]
type RunMeasurement = RunStep['measurements'][number]

/** What is special about a unit, or about the tester at that moment. */
export interface Condition {
  /** Capacitive currents are so many times what they should be. */
  readonly leakageFactor: number
  readonly isLeadOpen: boolean
  /** What is wrong with the unit. */
  readonly fault?: 'bond' | 'breakdown' | 'insulation' | undefined
}

export interface RunInput {
  readonly plan: PlanContent
  readonly product: ProductContent
  /** '' where the product has none. */
  readonly variant: string
  readonly condition: Condition
  /** Milliseconds since the epoch. */
  readonly startedAt: number
  /** When the resistance of the leads was taken, where the plan asks for it, and by whom. */
  readonly leadOffset: { readonly takenAt: number; readonly person: string }
}

const LEAD_OFFSET_MOHM = 21
const FIRST_STEP_MS = 900
const BETWEEN_STEPS_MS = 1_600
const TO_END_MS = 400
/** Of a good insulation so many are beyond what the tester can show. */
const OVER_RANGE_SHARE = 0.7

const q = (value: number, digits: number, unit: string) => ({ value: value.toFixed(digits), unit })

/** The steps of a run and when it ended. A step after one that failed is not run. */
export function runSteps(input: RunInput, chance: Chance): { steps: RunStep[]; endedAt: number; isGood: boolean } {
  const steps: RunStep[] = []
  let at = input.startedAt + FIRST_STEP_MS
  for (const step of input.plan.steps) {
    const made = makeStep(step, input, chance)
    const endedAt = at + made.lastsMs
    steps.push({ ...made.step, startedAt: writeInstant(at), endedAt: writeInstant(endedAt) })
    if (made.fails) return { steps, endedAt: endedAt + TO_END_MS, isGood: false }
    at = endedAt + BETWEEN_STEPS_MS
  }
  return { steps, endedAt: at - BETWEEN_STEPS_MS + TO_END_MS, isGood: true }
}

interface MadeStep {
  readonly step: Omit<RunStep, 'startedAt' | 'endedAt'>
  readonly lastsMs: number
  readonly fails: boolean
}

function makeStep(step: Step, input: RunInput, chance: Chance): MadeStep {
  switch (step.kind) {
    case 'inspection':
      return makeInspection(step)
    case 'protective-bonding':
      return makeBond(step, input, chance)
    case 'protective-continuity':
      return makeContinuity(step, input, chance)
    case 'residual-voltage':
      return makeResidual(step, input, chance)
    case 'electric-strength-ac':
      return makeStrength(step, input, chance)
    case 'insulation-resistance':
      return makeInsulation(step, input, chance)
    case 'touch-current':
      return makeTouch(step, input, chance)
    default:
      throw new Error(`no plan of the demo holds a step of the kind ${step.kind}`)
  }
}

type StepOf<Kind extends Step['kind']> = Extract<Step, { kind: Kind }>

function makeBond(step: StepOf<'protective-bonding'>, input: RunInput, chance: Chance): MadeStep {
  const isTwoWire = step.method === 'two-wire'
  const core = attributeOf(input, 'earthCoreResistance', 'mOhm')
  const measurements = settingsOf(step).map(({ measurement, limitUpper }, index): RunMeasurement => {
    const limit = Number(limitText(limitUpper, input.variant))
    const isBad = input.condition.fault === 'bond' && index === step.measurements.length - 1
    const net = isBad ? limit + chance.about(60, 40) : core + chance.about(34, 14)
    return {
      measurement,
      termination: 'completed',
      testCurrent: q(chance.about(10.5, 0.05), 2, 'A'),
      dwell: q(chance.about(2.05, 0.03), 2, 's'),
      reading: { quantity: 'resistance', ...q(net + (isTwoWire ? LEAD_OFFSET_MOHM : 0), 1, 'mOhm') },
    }
  })
  const { takenAt, person } = input.leadOffset
  const leadOffset = {
    ...q(LEAD_OFFSET_MOHM, 1, 'mOhm'),
    takenAt: writeInstant(takenAt),
    person,
    subtractedBy: 'server' as const,
  }
  const fails = input.condition.fault === 'bond'
  return {
    step: { step: step.step, ...(isTwoWire ? { leadOffset } : {}), ...ended(fails), measurements },
    lastsMs: 3_200 * measurements.length,
    fails,
  }
}

function makeStrength(step: StepOf<'electric-strength-ac'>, input: RunInput, chance: Chance): MadeStep {
  const { isLeadOpen, leakageFactor, fault } = input.condition
  const fails = fault === 'breakdown'
  const measurements = settingsOf(step).map(({ measurement, testVoltage, frequency }): RunMeasurement => {
    const volts = chance.about(Number(testVoltage.set) + 1, 2)
    const hertz = Number(frequency.set)
    const stress = {
      testVoltage: q(volts, 0, 'V'),
      frequency: q(hertz, 1, 'Hz'),
      rampUp: q(chance.about(1.02, 0.02), 2, 's'),
    }
    if (fails) {
      const reached = q(volts * chance.about(0.7, 0.2), 0, 'V')
      return { measurement, termination: 'breakdown', ...stress, testVoltage: reached }
    }
    const farads = attributeOf(input, 'liveToEarthCapacitance', 'nF') * 1e-9
    // I = 2 pi f C V, in milliamperes.
    const sound = 2 * Math.PI * hertz * farads * volts * 1_000 * leakageFactor * chance.about(1, 0.025)
    const milliamperes = isLeadOpen ? chance.about(0.02, 0.01) : sound
    return {
      measurement,
      termination: 'completed',
      ...stress,
      dwell: q(chance.about(1.22, 0.02), 2, 's'),
      highestInRamp: q(milliamperes + 0.01, 2, 'mA'),
      reading: { quantity: 'current', detector: 'rms', ...q(milliamperes, 2, 'mA') },
    }
  })
  return { step: { step: step.step, ...ended(fails), measurements }, lastsMs: 2_600, fails }
}

function makeInsulation(step: StepOf<'insulation-resistance'>, input: RunInput, chance: Chance): MadeStep {
  const fails = input.condition.fault === 'insulation'
  const measurements = settingsOf(step).map(({ measurement, testVoltage, readAt }): RunMeasurement => {
    const isOverRange = !fails && (input.condition.isLeadOpen || chance.happens(OVER_RANGE_SHARE))
    const reading = fails
      ? { quantity: 'resistance' as const, ...q(chance.about(1.2, 0.7), 2, 'MOhm') }
      : isOverRange
        ? { quantity: 'resistance' as const, relation: '>' as const, ...q(9.99, 2, 'GOhm'), text: '>9.99 GΩ' }
        : { quantity: 'resistance' as const, ...q(chance.about(6.2, 2.8), 2, 'GOhm') }
    return {
      measurement,
      termination: 'completed',
      testVoltage: q(chance.about(Number(testVoltage.set), 3), 0, 'V'),
      readAt: q(Number(readAt.set) + 0.02, 2, 's'),
      residualVoltage: q(chance.about(8, 4), 0, 'V'),
      reading,
    }
  })
  return { step: { step: step.step, ...ended(fails), measurements }, lastsMs: 6_200, fails }
}

function makeTouch(step: StepOf<'touch-current'>, input: RunInput, chance: Chance): MadeStep {
  const { isLeadOpen, leakageFactor } = input.condition
  const supply = Number(step.supplyVoltage.set)
  const hertz = Number(step.frequency.set)
  const farads = attributeOf(input, 'liveToEarthCapacitance', 'nF') * 1e-9
  const all = 2 * Math.PI * hertz * farads * supply * 1_000
  const measurements = step.measurements.map(({ measurement, neutral }): RunMeasurement => {
    // With the neutral open both capacitors lie at live, else one of the two.
    const sound = all * (neutral === 'open' ? 1 : 0.5) * leakageFactor * chance.about(1, 0.02)
    const milliamperes = isLeadOpen ? chance.about(0.002, 0.001) : sound
    return {
      measurement,
      termination: 'completed',
      reading: { quantity: 'current', detector: 'rms', ...q(milliamperes, 4, 'mA') },
    }
  })
  const conditions = {
    network: step.network,
    supplyVoltage: q(chance.about(supply, 0.4), 1, 'V'),
    frequency: q(hertz, 1, 'Hz'),
  }
  return { step: { step: step.step, ...ended(false), ...conditions, measurements }, lastsMs: 12_400, fails: false }
}

function makeContinuity(step: StepOf<'protective-continuity'>, input: RunInput, chance: Chance): MadeStep {
  const core = attributeOf(input, 'earthCoreResistance', 'mOhm')
  const measurements = step.measurements.map(
    ({ measurement }): RunMeasurement => ({
      measurement,
      termination: 'completed',
      testCurrent: q(chance.about(0.21, 0.005), 3, 'A'),
      reading: { quantity: 'resistance', ...q(core + chance.about(45, 20), 0, 'mOhm') },
    }),
  )
  return { step: { step: step.step, ...ended(false), measurements }, lastsMs: 800, fails: false }
}

function makeResidual(step: StepOf<'residual-voltage'>, { condition }: RunInput, chance: Chance): MadeStep {
  const supply = Number(step.supplyVoltage.set)
  const measurements = step.measurements.map(
    ({ measurement }): RunMeasurement => ({
      measurement,
      termination: 'completed',
      supplyVoltage: q(chance.about(supply, 0.4), 1, 'V'),
      readAt: q(chance.about(0.97, 0.02), 2, 's'),
      reading: {
        quantity: 'voltage',
        detector: step.detector,
        ...q(chance.about(9, 5) * condition.leakageFactor, 1, 'V'),
      },
    }),
  )
  return { step: { step: step.step, ...ended(false), measurements }, lastsMs: 2_000, fails: false }
}

function makeInspection({ step, measurements }: StepOf<'inspection'>): MadeStep {
  const looked = measurements.map(
    ({ measurement }): RunMeasurement => ({ measurement, termination: 'completed', conformity: 'conforming' }),
  )
  return { step: { step, measurements: looked }, lastsMs: 6_000, fails: false }
}

function ended(fails: boolean): { readonly stationVerdict: 'pass' | 'fail' } {
  return { stationVerdict: fails ? 'fail' : 'pass' }
}

/** An attribute of the variant, else of its product, as a plain number in `unit`. */
function attributeOf(
  { product, variant }: RunInput,
  name: 'earthCoreResistance' | 'liveToEarthCapacitance',
  unit: 'mOhm' | 'nF',
) {
  const own = product.variants?.find((one) => one.variant === variant)?.attributes?.[name]
  const read = readQuantity(own ?? product.attributes[name])
  if (!('quantity' in read)) throw new Error(`${product.product} declares no ${name}`)
  return Number(formatDecimal(inUnit(read.quantity.value, unit)))
}
