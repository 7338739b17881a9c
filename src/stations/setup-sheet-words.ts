import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { conductorStates, polarities, RevisionNumberWire, revisionStates } from '../plans/words.ts'
import { stepKinds } from '../rules/words.ts'

/** What stands against keying a sheet in, or must be known by who does. */
export const sheetMarks = [
  'not-approved',
  'withdrawn',
  'not-in-force',
  'blocked',
  'unchecked',
  'bound-by-stated-reason',
  'instrument-not-capable',
] as const

const SheetMarkWire = z.strictObject({ code: z.enum(sheetMarks), text: z.string() }).meta({ id: 'SetupSheetMark' })
export type SheetMark = z.infer<typeof SheetMarkWire>

const SheetLimitWire = z
  .strictObject({ value: DecimalTextWire, unit: z.string(), inclusive: z.boolean() })
  .meta({ id: 'SetupSheetLimit' })

const SheetTesterStepWire = z
  .strictObject({
    /** Its place in the program, from 1. */
    testerStep: z.int().min(1),
    step: KeyWire,
    measurement: KeyWire,
    kind: z.enum(stepKinds),
    required: z.boolean(),
    after: z.array(KeyWire),
    /** By the role of the terminals, not by the colour or number of a lead. */
    connection: z.strictObject({
      from: z.array(KeyWire),
      to: z.array(KeyWire),
      polarity: z.enum(polarities).nullable(),
      neutral: z.enum(conductorStates).nullable(),
      protectiveConductor: z.enum(conductorStates).nullable(),
      text: z.string(),
    }),
    settings: z.array(
      z.strictObject({
        setting: z.string(),
        set: DecimalTextWire.nullable(),
        /** What the plan accepts as a valid test, both ends included. */
        least: DecimalTextWire.nullable(),
        most: DecimalTextWire.nullable(),
        unit: z.string().nullable(),
        text: z.string(),
      }),
    ),
    /** One entry for each variant whose limits differ; else one without a variant. */
    limits: z.array(
      z.strictObject({
        variant: KeyWire.nullable(),
        limitLower: SheetLimitWire.nullable(),
        limitUpper: SheetLimitWire.nullable(),
      }),
    ),
    notes: z.array(z.string()),
  })
  .meta({ id: 'SetupSheetTesterStep' })
export type SheetTesterStep = z.infer<typeof SheetTesterStepWire>

const SheetInspectionWire = z
  .strictObject({
    step: KeyWire,
    measurement: KeyWire,
    required: z.boolean(),
    after: z.array(KeyWire),
    instruction: z.string(),
  })
  .meta({ id: 'SetupSheetInspection' })
export type SheetInspection = z.infer<typeof SheetInspectionWire>

/** What a person keys into a tester for one revision. */
export const SetupSheetWire = z
  .strictObject({
    plan: KeyWire,
    revision: RevisionNumberWire,
    /** A programming repeats it, so that what was keyed in is bound to this content. */
    revisionDigest: DigestWire,
    state: z.enum(revisionStates),
    product: KeyWire,
    productName: z.string(),
    productVersion: z.int(),
    operation: KeyWire,
    at: InstantWire.describe('Of the answer: what stands against using the revision is said as of then'),
    /** The one asked for; null: all in `variants`. */
    variant: KeyWire.nullable(),
    variants: z.array(KeyWire),
    station: z.strictObject({ station: KeyWire, name: z.string(), site: KeyWire }).nullable(),
    instrument: z
      .strictObject({
        instrument: KeyWire,
        name: z.string(),
        note: z.string(),
        fits: z.boolean().describe('Whether it has every kind and range, and programs for every tester step'),
        capacity: z
          .strictObject({
            testerSteps: z.int().describe('How many the revision needs: one for each planned measurement'),
            programsNeeded: z.int(),
            programs: z.int(),
            stepsEach: z.int(),
          })
          .nullable()
          .describe('null: it keeps no programs'),
      })
      .nullable(),
    /** In order; a revision may span several. `program` is null until a programming says which one it is. */
    programs: z.array(z.strictObject({ program: KeyWire.nullable(), testerSteps: z.array(SheetTesterStepWire) })),
    leftOver: z.array(SheetTesterStepWire).describe('Tester steps for which the instrument has no program left'),
    /** What a person looks at; it is keyed into no program. */
    inspections: z.array(SheetInspectionWire),
    marks: z.array(SheetMarkWire),
    cautions: z.array(z.string()),
    governing: z.string(),
  })
  .meta({ id: 'SetupSheet' })
export type SetupSheet = z.infer<typeof SetupSheetWire>
