import { type PlanContent, PlanContentWire } from '../../src/plans/words.ts'
import type { Calibration } from '../../src/stations/calibration.ts'
import type { InstrumentAssignment } from '../../src/stations/instrument-assignment.ts'
import type { Programming } from '../../src/stations/programming.ts'
import type { Capabilities } from '../../src/stations/words.ts'
import { planWire } from '../support/aldermoor.ts'
import { instant } from '../support/clock.ts'

/** Dated facts of Aldermoor Works, recorded at their own instant unless said otherwise. */

/** An instant of 16 March 2026 in UTC, `06:00` or `06:00:00.001`. */
export function on16(time: string): number {
  return instant(`2026-03-16T${time.length === 5 ? `${time}:00` : time}Z`)
}

export function placed(
  station: string,
  instrument: string,
  from: number,
  more: Partial<InstrumentAssignment> = {},
): InstrumentAssignment {
  return { station, instrument, from, until: null, recordedAt: from, ...more }
}

export function calibrated(calibration: string, performedAt: number, dueOn: string, more: Partial<Calibration> = {}) {
  return { calibration, instrument: 'INS-0031', performedAt, dueOn, uncertainty: [], recordedAt: performedAt, ...more }
}

export const DIGEST = `sha256:${'6'.repeat(64)}`

export function programmed(programming: string, at: number, more: Partial<Programming> = {}): Programming {
  return {
    programming,
    station: 'LDS-F2',
    instrument: 'INS-0031',
    programs: ['3', '4'],
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: DIGEST,
    at,
    recordedAt: at,
    ending: null,
    ...more,
  }
}

/** Revision 7 of the dust extractor's final test, from the worked example of the wire contract. */
export function ex36Final(change: (content: PlanContent) => void = () => {}): PlanContent {
  const content = PlanContentWire.parse(planWire)
  change(content)
  return content
}

/** The tester of station LDS-F2: programs of five tester steps, every kind of the plan, wide ranges. */
export const capable: Capabilities = {
  programs: { count: 10, stepsEach: 5 },
  kinds: [
    { kind: 'protective-bonding', range: { least: '1', most: '30', unit: 'A' } },
    { kind: 'electric-strength-ac', range: { least: '0.1', most: '5', unit: 'kV' } },
    { kind: 'insulation-resistance', range: { least: '250', most: '1000', unit: 'V' } },
    { kind: 'touch-current' },
  ],
}
