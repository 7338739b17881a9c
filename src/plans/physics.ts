/**
 * What the product's own physics does to a plan, whatever the rules say: settings with which sound units could not pass,
 * or with which a lead that is off would. Computed numbers are exact to 34 digits, and rounded only where they are shown.
 */
import {
  add,
  compare,
  type Decimal,
  decimal,
  divide,
  formatDecimal,
  isZero,
  multiply,
  ONE,
  PI,
  round,
  roundDown,
  roundUp,
  subtract,
  ZERO,
} from '../exact/decimal.ts'
import { inUnit, writeQuantity } from '../exact/quantity.ts'
import type { UnitCode } from '../exact/unit-codes.ts'
import type { Written } from '../rules/demand.ts'
import type { Attributes } from '../rules/inputs.ts'
import { limitValue } from './accepted.ts'
import { guardBandWidth } from './decision-check.ts'
import { type Found, found } from './findings.ts'
import { type Connections, isEarthed, liesAcrossLiveAndEarth } from './product-match.ts'
import { canonical, plannedEnds, quantityValue, valueSet } from './windows.ts'
import { type Settings, type SettingsOf, type Step, unitCode } from './words.ts'

/** One variant of a product version. */
export interface ProductSubject {
  /** '' where the product has no variants. */
  readonly variant: string
  readonly attributes: Attributes
  readonly connections: Connections
}

/** Digits of a computed number in a finding; nothing is decided by them. */
const DIGITS_SHOWN = 3

const TWO_PI = multiply(decimal(2), PI)

/** Live-to-earth capacitance as declared, and between which values a sound unit's lies. Farads. */
export interface Capacitance {
  readonly declared: Decimal
  readonly tolerance: Decimal
  readonly least: Decimal
  readonly greatest: Decimal
}

/** Undefined where the product declares none. */
export function capacitanceOf(attributes: Attributes): Capacitance | undefined {
  const declared = attributes.get('liveToEarthCapacitance')
  if (typeof declared !== 'object') return undefined
  const given = attributes.get('capacitanceTolerance')
  const tolerance = typeof given === 'object' ? given : decimal(0)
  return {
    declared,
    tolerance,
    least: multiply(declared, subtract(ONE, tolerance)),
    greatest: multiply(declared, add(ONE, tolerance)),
  }
}

/** The current through a capacitance at an alternating voltage, amperes: I = 2 pi f C U (the capacitor's reactance, rms). */
export function capacitiveCurrent(frequency: Decimal, capacitance: Decimal, voltage: Decimal): Decimal {
  return multiply(multiply(TWO_PI, frequency), multiply(capacitance, voltage))
}

/** The current that charges a capacitance while the voltage rises evenly from zero, amperes: I = C dU/dt = C U / t. */
export function chargingCurrent(capacitance: Decimal, voltage: Decimal, time: Decimal): Decimal {
  return divide(multiply(capacitance, voltage), time)
}

/** Findings on one measurement of a step for one variant. */
export function checkPhysics(settings: Settings, subject: ProductSubject): Found[] {
  const findings = physicsOf(settings, subject)
  const { step, measurement } = settings
  return findings.map((finding) => ({ ...finding, step, measurement, variant: subject.variant || null }))
}

function physicsOf(settings: Settings, subject: ProductSubject): Found[] {
  switch (settings.kind) {
    case 'protective-bonding':
    case 'protective-continuity':
      return checkSource(settings, subject.variant)
    case 'electric-strength-ac':
      return [...checkOpenLead(settings, subject.attributes), ...checkCapacitiveCurrent(settings, subject)]
    case 'electric-strength-dc':
      return [...checkOpenLead(settings, subject.attributes), ...checkCharging(settings, subject)]
    case 'touch-current':
    case 'protective-conductor-current':
      return checkOpenLead(settings, subject.attributes)
    case 'residual-voltage':
      return checkContact(settings)
    case 'insulation-resistance':
    case 'inspection':
      return []
  }
}

/** A lead that is off shows no voltage, which is the best possible reading; nothing in the number itself tells. */
function checkContact({ contactProvenBy }: SettingsOf<'residual-voltage'>): Found[] {
  if (contactProvenBy) return []
  return [found({ severity: 'warning', code: 'open-lead-unseen', parameter: 'contactProvenBy' })]
}

/**
 * With only a most, a lead that is off gives the best possible reading. Where the product has a capacitance to show,
 * that stops an a.c. strength test; elsewhere the author is told.
 */
function checkOpenLead(
  settings: SettingsOf<
    'electric-strength-ac' | 'electric-strength-dc' | 'touch-current' | 'protective-conductor-current'
  >,
  attributes: Attributes,
): Found[] {
  const capacitance = attributes.get('liveToEarthCapacitance')
  if (typeof capacitance !== 'object' || isZero(capacitance)) return []
  if (settings.openLeadMinimum || settings.contactProvenBy) return []
  const severity = settings.kind === 'electric-strength-ac' ? 'blocking' : 'warning'
  return [found({ severity, code: 'open-lead-unseen', parameter: 'openLeadMinimum' })]
}

function checkCapacitiveCurrent(settings: SettingsOf<'electric-strength-ac'>, subject: ProductSubject): Found[] {
  const { connections, attributes, variant } = subject
  if (!liesAcrossLiveAndEarth(settings, connections, attributes.get('protectionClass'))) return []
  const capacitance = capacitanceOf(attributes)
  if (!capacitance) return [unknownCurrent('liveToEarthCapacitance')]
  const voltage = plannedEnds(settings.testVoltage)
  const frequency = plannedEnds(settings.frequency)
  const [setVoltage, setFrequency] = [valueSet(settings.testVoltage), valueSet(settings.frequency)]
  const declared = (): Record<string, string> => ({
    capacitance: stated(capacitance.declared, 'nF'),
    tolerance: stated(capacitance.tolerance, '%'),
    ...(setVoltage &&
      setFrequency && {
        currentNominal: `${rounded(capacitiveCurrent(setFrequency, capacitance.declared, setVoltage), 'mA')} mA`,
      }),
  })
  const findings: Found[] = []
  if (!voltage.most) findings.push(unknownCurrent('testVoltage'))
  else if (!frequency.most) findings.push(unknownCurrent('frequency'))
  else {
    const greatest = capacitiveCurrent(frequency.most, capacitance.greatest, voltage.most)
    const [atVoltage, atFrequency] = [voltage.most, frequency.most]
    const facts = () => ({ ...declared(), voltage: stated(atVoltage, 'V'), frequency: stated(atFrequency, 'Hz') })
    findings.push(...aboveLimits('expected-current-above-limit', greatest, { settings, variant, facts }))
  }
  if (settings.openLeadMinimum && voltage.least && frequency.least) {
    const least = capacitiveCurrent(frequency.least, capacitance.least, voltage.least)
    const minimum = quantityValue(settings.openLeadMinimum)
    if (compare(minimum, least) > 0) {
      const unit = unitCode(settings.openLeadMinimum.unit)
      findings.push(
        found({
          severity: 'blocking',
          code: 'open-lead-minimum-above-expected',
          parameter: 'openLeadMinimum',
          relation: '<=',
          ...compared(unit, { demanded: least, accepted: minimum, margin: subtract(least, minimum) }),
          // A minimum of nothing sees no open lead, so where the least current is nothing there is none that would do.
          nearest: isZero(least) ? null : { value: shown(roundDown(least, DIGITS_SHOWN), unit), unit },
          facts: { ...declared(), voltage: stated(voltage.least, 'V'), frequency: stated(frequency.least, 'Hz') },
        }),
      )
    }
  }
  return findings
}

/** Only where the current is watched in the ramp; once the voltage stands, no current charges. */
function checkCharging(settings: SettingsOf<'electric-strength-dc'>, subject: ProductSubject): Found[] {
  const { connections, attributes, variant } = subject
  if (!settings.limitInRamp) return []
  if (!liesAcrossLiveAndEarth(settings, connections, attributes.get('protectionClass'))) return []
  const capacitance = capacitanceOf(attributes)
  if (!capacitance) return [unknownCurrent('liveToEarthCapacitance')]
  if (isZero(capacitance.greatest)) return []
  const { most: voltage } = plannedEnds(settings.testVoltage)
  const { least: rampUp } = plannedEnds(settings.rampUp)
  if (!voltage) return [unknownCurrent('testVoltage')]
  if (!rampUp) return [unknownCurrent('rampUp')]
  const facts = () => ({
    capacitance: stated(capacitance.declared, 'nF'),
    tolerance: stated(capacitance.tolerance, '%'),
    voltage: stated(voltage, 'V'),
    rampUp: stated(rampUp, 's'),
  })
  if (isZero(rampUp)) {
    return [
      found({
        severity: 'blocking',
        code: 'charging-current-above-limit',
        parameter: 'rampUp',
        relation: '>=',
        facts: facts(),
      }),
    ]
  }
  const greatest = chargingCurrent(capacitance.greatest, voltage, rampUp)
  return aboveLimits('charging-current-above-limit', greatest, { settings, variant, facts })
}

/** The greatest current of a sound unit against what would fail or stop it. A current on the trip trips. */
function aboveLimits(
  code: 'expected-current-above-limit' | 'charging-current-above-limit',
  greatest: Decimal,
  context: {
    readonly settings: SettingsOf<'electric-strength-ac' | 'electric-strength-dc'>
    readonly variant: string
    /** Written only where something is found. */
    readonly facts: () => Readonly<Record<string, string>>
  },
): Found[] {
  const { settings, variant, facts } = context
  const limit = limitValue(settings.limitUpper, variant)
  // A guarded rule lets nothing pass in its guard band; a multiple of an uncertainty is not known before the test.
  const guardBand = settings.guardBand ? guardBandWidth(settings.guardBand) : undefined
  const limits = [
    {
      parameter: 'limitUpper',
      value: limit && guardBand ? subtract(limit, guardBand) : limit,
      unit: settings.limitUpper.unit,
      isPassed: settings.limitUpper.inclusive,
      beside: guardBand ?? ZERO,
    },
    {
      parameter: 'tripCurrent',
      value: quantityValue(settings.tripCurrent),
      unit: settings.tripCurrent.unit,
      isPassed: false,
      beside: ZERO,
    },
  ]
  return limits.flatMap(({ parameter, value, unit, isPassed, beside }) => {
    if (!value) return []
    const side = compare(greatest, value)
    if (side < 0 || (side === 0 && isPassed)) return []
    const numbers = compared(unitCode(unit), { demanded: greatest, accepted: value, margin: subtract(value, greatest) })
    const nearest = nearestAbove(add(greatest, beside), unitCode(unit), isPassed)
    return [found({ severity: 'blocking', code, parameter, relation: '>=', ...numbers, nearest, facts: facts() })]
  })
}

function unknownCurrent(missing: string): Found {
  return found({ severity: 'warning', code: 'expected-current-unknown', facts: { missing } })
}

/**
 * A unit on the limit must still be measured: its resistance, with two wires that of the leads too, times the least
 * current is the voltage that the source has to give. If it cannot, good units read as invalid.
 */
function checkSource(settings: SettingsOf<'protective-bonding' | 'protective-continuity'>, variant: string): Found[] {
  const limit = limitValue(settings.limitUpper, variant)
  const { least: current } = plannedEnds(settings.testCurrent)
  const { most: voltage } = plannedEnds(settings.sourceVoltage)
  if (!limit || !current || !voltage) return []
  const leads = settings.leadOffset ? quantityValue(settings.leadOffset.most) : decimal(0)
  const needed = multiply(current, add(limit, leads))
  if (compare(voltage, needed) >= 0) return []
  const unit = unitCode(settings.sourceVoltage.unit)
  return [
    found({
      severity: 'blocking',
      code: 'source-voltage-short',
      parameter: 'sourceVoltage',
      relation: '>=',
      ...compared(unit, { demanded: needed, accepted: voltage, margin: subtract(voltage, needed) }),
      nearest: { most: shown(roundUp(needed, DIGITS_SHOWN), unit), unit },
      facts: {
        current: stated(current, 'A'),
        limitUpper: stated(limit, unitCode(settings.limitUpper.unit)),
        ...(settings.leadOffset && { leads: stated(leads, unitCode(settings.leadOffset.most.unit)) }),
      },
    }),
  ]
}

/**
 * The protective conductor of an earthed product is proven before its insulation is stressed or its leakage measured:
 * over a broken one both say nothing, and high voltage reaches parts that a person may touch.
 */
export function checkOrder(steps: readonly Step[], subject: ProductSubject): Found[] {
  if (!isEarthed(subject.attributes.get('protectionClass'))) return []
  const bonded = new Set<string>()
  const findings: Found[] = []
  for (const { step, kind, after, required } of steps) {
    const isAfterBonding = after.some((name) => bonded.has(name))
    if (isAfterBonding || (kind === 'protective-bonding' && required)) bonded.add(step)
    if (isAfterBonding) continue
    const isStrength = kind === 'electric-strength-ac' || kind === 'electric-strength-dc'
    if (!isStrength && kind !== 'touch-current' && kind !== 'protective-conductor-current') continue
    const severity = isStrength ? 'blocking' : 'warning'
    findings.push(
      found({ severity, code: 'bonding-not-before', step, parameter: 'after', variant: subject.variant || null }),
    )
  }
  return findings
}

function compared(unit: UnitCode, numbers: { demanded: Decimal; accepted: Decimal; margin: Decimal }) {
  const { demanded, accepted, margin } = numbers
  return {
    demanded: { value: rounded(demanded, unit), unit },
    accepted: { value: writeQuantity(accepted, unit).value, unit },
    margin: { value: rounded(margin, unit), unit },
  }
}

/** The least number of the digits shown that the current does not reach or, where it passes on it, does not exceed. */
function nearestAbove(current: Decimal, unit: UnitCode, isPassed: boolean): Written {
  const value = shown(roundUp(current, DIGITS_SHOWN), unit)
  return isPassed || compare(canonical(value, unit), current) > 0 ? { value, unit } : { above: value, unit }
}

function rounded(value: Decimal, unit: UnitCode): string {
  return shown(round(value, DIGITS_SHOWN), unit)
}

function shown(value: Decimal, unit: UnitCode): string {
  return formatDecimal(inUnit(value, unit))
}

/** A number that the plan or product states, as text with its unit. */
function stated(value: Decimal, unit: UnitCode): string {
  return `${writeQuantity(value, unit).value} ${unit}`
}
