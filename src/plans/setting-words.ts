import { z } from 'zod'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { type Dimension, readUnit, unitCodes, units } from '../exact/unit-codes.ts'

/** The parts of a plan's settings, and what each setting means on the wire. */

/** Text of a unit of one dimension. Which code it means is said by `readUnit`, which knows the other spellings. */
export function unitOf(dimension: Dimension) {
  const codes = unitCodes.filter((code) => units[code].dimension === dimension)
  return z
    .string()
    .max(16)
    .refine(
      (text) => {
        const code = readUnit(text)
        return typeof code === 'string' && units[code].dimension === dimension
      },
      `must be a unit of ${dimension}: ${codes.join(', ')}`,
    )
    .describe(`${codes.join(', ')}`)
}

export function quantityOf(dimension: Dimension) {
  return z.strictObject({ value: DecimalTextWire.describe('A decimal number as text'), unit: unitOf(dimension) })
}

/** What the plan sets, and the least and most that it accepts as a valid test, both included. */
export function windowOf(dimension: Dimension) {
  return z.strictObject({
    set: DecimalTextWire.nullish().describe('What the tester is set to'),
    least: DecimalTextWire.nullish().describe(
      'The least that is accepted as a valid test; what is set, where left out',
    ),
    most: DecimalTextWire.nullish().describe('The most that is accepted; open, where left out'),
    unit: unitOf(dimension),
  })
}

/**
 * A limit: one value, or one by variant; exactly one of the two (checked with the content). `formula` says where the
 * values come from, in the limit's unit, and is compared with them.
 */
export function limitOf(dimension: Dimension) {
  return z.strictObject({
    value: DecimalTextWire.nullish().describe('For every variant; or byVariant'),
    byVariant: z.record(KeyWire, DecimalTextWire).nullish().describe('By key of the variant'),
    unit: unitOf(dimension),
    inclusive: z.boolean().describe('Whether a number on the limit passes'),
    formula: TextWire(500)
      .nullish()
      .describe('FEEL over attributes of the product, in the unit; must give the same values'),
  })
}

/**
 * The guard band `w` of a guarded decision rule: a quantity of the limit's dimension, or a multiple of the expanded
 * uncertainty that the instrument's calibration states for the reading; exactly one of the two (checked with the content).
 */
function guardBandOf(dimension: Dimension) {
  return z.strictObject({
    value: DecimalTextWire.nullish().describe('In the unit; or multiple'),
    unit: unitOf(dimension).nullish(),
    multiple: DecimalTextWire.nullish().describe("Of the expanded uncertainty in the instrument's calibration"),
  })
}

/** How a step's numbers are decided beside its limits. */
export function decidedIn(dimension: Dimension) {
  return {
    guardBand: guardBandOf(dimension),
    // What a number is rounded to a multiple of, where the plan rounds (the rounding range of ISO 80000-1, Annex B).
    roundingRange: quantityOf(dimension),
  }
}

/** What each setting of a step means, said once for all kinds. */
const meanings: Readonly<Record<string, string>> = {
  arcDetection: 'A current of short arcs above the threshold ends the test as arc',
  basis: 'as-read: the reading itself is judged',
  contactProvenBy: 'The step that proves contact, where a current is too small to show an open lead',
  detector: 'What of the current or voltage is read; numbers of different detectors are never compared',
  dwell: 'Time at full stress, the rise not counted',
  endEarlyOnPass: 'Whether the test may end as soon as the limit is met; else the reading of readAt decides',
  frequency: 'Of the test voltage or the supply',
  from: 'Terminals on one side',
  guardBand: 'Where the decision rule is guarded: by how much the acceptance limit lies inside the limit',
  insulation: 'Between the terminals; rules ask for it',
  leadOffset: 'With two wires: how much of leads may be taken off a reading, and how old that measurement may be',
  limitInRamp: 'Whether the limit holds while the voltage rises, too',
  limitLower: 'Below it: fail',
  limitUpper: 'Beyond it: fail',
  method: 'two-wire: the leads are part of the reading; four-wire: they are not',
  network: 'The measuring network by key; numbers of different networks are never compared',
  neutral: 'Whether the neutral conductor is interrupted',
  openLeadMinimum: 'Below it the test is invalid, since the leads may be open; no limit',
  polarity: 'Of the supply at the plug',
  protectiveConductor: 'Whether the protective conductor is interrupted',
  rampDown: 'Time of fall',
  rampUp: 'Time of rise',
  readAt:
    'When the reading that decides is taken: from the beginning of the stress; at residual voltage from the cut-off',
  residualVoltage: 'What may be left at the end of the step; more: invalid',
  roundingRange: 'Where the plan rounds: numbers are rounded to a multiple of it',
  sourceVoltage: 'Open-circuit voltage of the source',
  supplyVoltage: 'The supply during the measurement, or before it was cut off',
  testCurrent: 'Through the path; below least: invalid',
  testVoltage: 'At the terminals; below least: invalid, above most: held',
  to: 'Terminals on the other side',
  tripCurrent: 'The tester ends the test above it',
}

/** The same members, each with its meaning. */
export function withMeanings<Given extends Record<string, z.ZodType>>(shape: Given): Given {
  const said = Object.entries(shape).map(([name, member]) => {
    const meaning = meanings[name]
    if (meaning === undefined) throw new Error(`the setting ${name} says nowhere what it means`)
    return [name, member.describe(meaning)]
  })
  // Object.entries forgets which member has which type; describing changes none.
  return Object.fromEntries(said) as Given
}
