import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { EffectWire, NumberWire } from '../platform/versioned-words.ts'
import { stepKinds } from '../rules/words.ts'
import { checkWords } from '../stations/station-check.ts'

const KindWire = z.enum(stepKinds)
/** What a tester says of a unit at one kind of step. */
export const shownWords = ['pass', 'fail'] as const
const ShownWire = z.enum(shownWords)

function isEachOnce(keys: readonly string[]): boolean {
  return new Set(keys).size === keys.length
}

/** The second person's signature. */
export const CheckConfirmationWire = z
  .strictObject({ digest: DigestWire, meaning: TextWire(200) })
  .meta({ id: 'CheckConfirmation' })
export type CheckConfirmation = z.infer<typeof CheckConfirmationWire>

// ------------------------------------------------------------------------------------------------ reference units

const ShowsWire = z.strictObject({ kind: KindWire, expected: ShownWire })

/** A unit, real or a dummy fault, of which it is known what a tester must say. */
export const ReferenceUnitDraftWire = z
  .strictObject({
    referenceUnit: KeyWire,
    name: TextWire(200),
    shows: z
      .array(ShowsWire)
      .min(1)
      .max(stepKinds.length)
      .refine((shows) => isEachOnce(shows.map(({ kind }) => kind)), 'must name each kind once'),
  })
  .meta({ id: 'ReferenceUnitDraft' })
export type ReferenceUnitDraft = z.infer<typeof ReferenceUnitDraftWire>

const signature = {
  confirmedAt: InstantWire.nullable(),
  confirmedBy: KeyWire.nullable(),
  meaning: z.string().nullable(),
}

export const ReferenceUnitWire = z
  .strictObject({
    referenceUnit: KeyWire,
    name: z.string(),
    shows: z.array(ShowsWire),
    digest: DigestWire.describe('What the second person signs'),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
    ...signature,
    withdrawnAt: InstantWire.nullable().describe('From then on no check can be made with it'),
    withdrawnBy: KeyWire.nullable(),
    withdrawalReason: z.string().nullable(),
  })
  .meta({ id: 'ReferenceUnit', description: 'Station checks count only with units that two people stand for.' })
export type ReferenceUnit = z.infer<typeof ReferenceUnitWire>

export const ReferenceUnitWithdrawalWire = z
  .strictObject({ reason: TextWire(1000) })
  .meta({ id: 'ReferenceUnitWithdrawal' })
export type ReferenceUnitWithdrawal = z.infer<typeof ReferenceUnitWithdrawalWire>

// ------------------------------------------------------------------------------------------------ check plans

export const checkPlanUnits = ['min', 'h'] as const
const ValidForWire = z.strictObject({ value: DecimalTextWire, unit: z.enum(checkPlanUnits) })

export const CheckPlanDraftWire = z
  .strictObject({
    checkPlan: NumberWire.describe('Any number above the highest of the station'),
    kinds: z
      .array(KindWire)
      .max(stepKinds.length)
      .refine(isEachOnce, 'must name each kind once')
      .describe('Kinds of step that are to be checked; empty: none is asked for any more'),
    validFor: ValidForWire.describe('How long a good check holds: from a minute to 31 days'),
  })
  .meta({ id: 'CheckPlanDraft' })
export type CheckPlanDraft = z.infer<typeof CheckPlanDraftWire>

export const CheckPlanConfirmationDraftWire = CheckConfirmationWire.extend({
  effectiveFrom: EffectWire.nullish().describe('After this act, or at-once, which it is where left out'),
}).meta({ id: 'CheckPlanConfirmation' })
export type CheckPlanConfirmation = z.infer<typeof CheckPlanConfirmationDraftWire>

export const CheckPlanWire = z
  .strictObject({
    station: KeyWire,
    checkPlan: NumberWire,
    kinds: z.array(KindWire),
    validFor: ValidForWire,
    digest: DigestWire.describe('What the second person signs'),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
    ...signature,
    effectiveFrom: InstantWire.nullable().describe('Null until it is confirmed; the next one confirmed ends it'),
  })
  .meta({ id: 'CheckPlan' })
export type CheckPlan = z.infer<typeof CheckPlanWire>

// ------------------------------------------------------------------------------------------------ station checks

const RESULTS_MAX = 100
const FoundWire = z.strictObject({ referenceUnit: KeyWire, kind: KindWire, found: ShownWire })

export const StationCheckDraftWire = z
  .strictObject({
    stationCheck: KeyWire,
    station: KeyWire,
    instrument: KeyWire,
    at: InstantWire.describe('When it was finished; may be past, not future'),
    results: z
      .array(FoundWire)
      .min(1)
      .max(RESULTS_MAX)
      .refine(
        (results) => isEachOnce(results.map(({ referenceUnit, kind }) => `${referenceUnit}/${kind}`)),
        'must name each unit and kind once',
      ),
  })
  .meta({ id: 'StationCheckDraft' })
export type StationCheckDraft = z.infer<typeof StationCheckDraftWire>

/** What a check says of a kind; `nothing` where it lacks a known-pass or a known-fail. */
export const saidWords = [...checkWords, 'nothing'] as const

export const StationCheckWire = z
  .strictObject({
    stationCheck: KeyWire,
    station: KeyWire,
    instrument: KeyWire,
    at: InstantWire,
    results: z.array(z.strictObject({ referenceUnit: KeyWire, kind: KindWire, expected: ShownWire, found: ShownWire })),
    says: z.array(z.strictObject({ kind: KindWire, says: z.enum(saidWords) })),
    recordedAt: InstantWire,
    recordedBy: KeyWire,
  })
  .meta({
    id: 'StationCheck',
    description:
      'Good for a kind where a known-pass passed and a known-fail failed. Energised equipment can kill: local codes and ' +
      'licensed practice govern how reference units are handled.',
  })
export type StationCheckAnswer = z.infer<typeof StationCheckWire>
