/** One step with its settings, limits and reasons, within what rules leave of it. */
import type { Box } from './bounds.ts'
import { buildBonding } from './build-bonding.ts'
import { buildInsulation, buildLeakage, buildResidual } from './build-others.ts'
import { buildStrength } from './build-strength.ts'
import { type Building, type Built, headOf } from './building.ts'
import { together } from './said.ts'
import type { Wanted } from './wanted.ts'

/** Undefined where rules leave no such step. Pointers of the reasons begin at the step. */
export function buildStep(wanted: Wanted, box: Box, building: Building): Built | undefined {
  switch (wanted.kind) {
    case 'protective-bonding':
    case 'protective-continuity':
      return buildBonding(wanted, box, building)
    case 'electric-strength-ac':
    case 'electric-strength-dc':
      return buildStrength(wanted, box, building)
    case 'insulation-resistance':
      return buildInsulation(wanted, box, building)
    case 'touch-current':
    case 'protective-conductor-current':
      return buildLeakage(wanted, box, building)
    case 'residual-voltage':
      return buildResidual(wanted, box, building)
    case 'inspection':
      return {
        step: together(headOf(wanted)),
        open: wanted.known
          ? []
          : [{ pointer: '/measurements/0/instruction', text: 'Write what is to be looked at on this product.' }],
      }
  }
}
