import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { verdicts } from '../judging/words.ts'
import { stepKinds } from '../rules/words.ts'
import { shipStates } from './event-words.ts'

const CountsWire = z.strictObject({
  runs: z.int().min(0),
  units: z.int().min(0),
  unitsByShipState: z.strictObject(
    Object.fromEntries(shipStates.map((state) => [state, z.int().min(0)])) as Record<
      (typeof shipStates)[number],
      z.ZodInt
    >,
  ),
})

/** A run that a failed check or a withdrawal put in doubt, and where its unit is now. */
export const AffectedRunWire = z
  .strictObject({
    runId: KeyWire,
    product: z.string(),
    serial: z.string(),
    startedAt: InstantWire,
    instrument: KeyWire,
    verdict: z.enum(verdicts).describe('As it was judged first; it stays'),
    kinds: z.array(z.enum(stepKinds)).describe('The kinds of step whose results are in doubt'),
    shipState: z.enum(shipStates),
  })
  .meta({ id: 'AffectedRun' })
export type AffectedRun = z.infer<typeof AffectedRunWire>

export const AffectedPageWire = z
  .strictObject({ counts: CountsWire, items: z.array(AffectedRunWire), nextCursor: z.string().nullable() })
  .meta({
    id: 'AffectedPage',
    description:
      'Accepted production runs in doubt, in the order of tests: since the last good check, or since the instant of a withdrawal.',
  })
export type AffectedCounts = z.infer<typeof CountsWire>
