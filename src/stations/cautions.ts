import type { StepKind } from '../rules/words.ts'

/** Stands on every sheet: what we write never replaces what the law and the trade ask for. */
export const GOVERNING =
  'Local code and licensed practice govern. This sheet says what the test plan asks for; it does not replace the instructions of the instrument and of the product, or a qualified person on site.'

const general = [
  'High voltage and high current can kill. Only trained persons work here, and never alone where help is out of call.',
  'Before the shift try the interlock, the emergency stop and the warning lamp. Do not test if one of them fails.',
  'Earth the station and the instrument before anything else. Never touch unit, leads or fixture while a test runs.',
  'Use undamaged leads and clamps. After any failure or interruption treat the unit as live until it is discharged and disconnected.',
]

const strength = [
  'Electric strength: the test voltage is on every conductor joined to the live side, also on the plug and on switches. Close the guard before starting.',
  'After a breakdown do not repeat the test on the same unit before the cause is known.',
]
const charged =
  'Direct voltage leaves charge in filters, cords and windings. Wait until the residual voltage is below the value stated before opening the guard.'

/** The usual cautions of each kind of step, in our words. Common practice, no source. */
const byKind: Readonly<Record<StepKind, readonly string[]>> = {
  'protective-bonding': [
    'Protective bonding: clamps and leads become hot at this current. Clamp bare metal, and do not open the circuit while current flows.',
  ],
  'protective-continuity': [
    'Protective continuity: a small current proves that the path is there, not that it carries a fault. It never stands in for protective bonding.',
  ],
  'electric-strength-ac': strength,
  'electric-strength-dc': [...strength, charged],
  'insulation-resistance': [charged],
  'touch-current': [
    'Touch current: the unit is supplied while its protective conductor is open, so accessible metal may be live. Supply it through the station only.',
  ],
  'protective-conductor-current': [
    'Protective conductor current: the unit runs at full supply voltage. Keep moving and hot parts guarded.',
  ],
  'residual-voltage': [
    'Residual voltage: the unit is at supply voltage until it is cut off, and its plug pins may stay charged. Touch them only when the reading is taken and they are discharged.',
  ],
  inspection: [
    'Inspection: cut off the supply and discharge the unit before opening or touching anything, unless the instruction says otherwise.',
  ],
}

/** The cautions for the kinds of step in a sheet, general ones first, each once. */
export function cautionsFor(kinds: readonly StepKind[]): string[] {
  return [...new Set([...general, ...kinds.flatMap((kind) => byKind[kind])])]
}
